"""Those who lead, and are no clinicians here; the first opens the register. And how everybody signs in."""

from dataclasses import dataclass

from config.demo.groundplan import DOMAIN, HARBOUR, SALTMARSH

GROUP_KEY = "group"
SECRET = "pelicans, 5 knots, low water 06:40"  # noqa: S105 - printed for whoever looks at the demo; protects invented people only


@dataclass(frozen=True, slots=True)
class Lead:
    email: str
    name: str
    roles: tuple[tuple[str, str], ...]
    registration: str = ""


FIRST = Lead(f"ottilie.marrow@{DOMAIN}", "Ottilie Marrowgate", ())
EDUCATOR = Lead(f"idris.fennimore@{DOMAIN}", "Idris Fennimore", (("educator", SALTMARSH),), "RN 310 442")
HARBOUR_EDUCATOR = Lead(f"paloma.greywether@{DOMAIN}", "Paloma Greywether", (("educator", HARBOUR),), "RN 287 905")
MANAGER = Lead(f"callista.broome@{DOMAIN}", "Callista Broomefield", (("manager", SALTMARSH),))
HARBOUR_MANAGER = Lead(f"tobias.lanternby@{DOMAIN}", "Tobias Lanternby", (("manager", HARBOUR),))
AUDITOR = Lead(f"renske.aldercott@{DOMAIN}", "Renske Aldercott", (("auditor", GROUP_KEY),))
ADMINISTRATOR = Lead(f"suresh.valemont@{DOMAIN}", "Suresh Valemont", (("administrator", GROUP_KEY),))
LEADS = (EDUCATOR, HARBOUR_EDUCATOR, MANAGER, HARBOUR_MANAGER, AUDITOR, ADMINISTRATOR)


def educator_of(hospital: str) -> str:
    return (EDUCATOR if hospital == SALTMARSH else HARBOUR_EDUCATOR).email


def manager_of(hospital: str) -> str:
    return (MANAGER if hospital == SALTMARSH else HARBOUR_MANAGER).email
