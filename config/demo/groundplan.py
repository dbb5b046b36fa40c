"""The invented group: two hospitals and their units, and what a usual holder does there in a year."""

from dataclasses import dataclass

GROUP = "Wrenfield Coast Health"
ZONE = "Australia/Adelaide"
DOMAIN = "wrenfield.example"
SALTMARSH, HARBOUR = "saltmarsh", "harbour"
HOSPITALS = {SALTMARSH: "Saltmarsh Hospital", HARBOUR: "Harbour Point Hospital"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A unit below a hospital.

    procedure: code of what is mostly done there; yearly: insertions of a usual holder in a year, all of it known from
    monthly sheets where `by_sheet`, else from the form; hours: a pattern of `shifts`; rates: between which the true
    first-attempt rates of its steady holders lie.
    """

    key: str
    name: str
    hospital: str
    holders: int
    yearly: int
    hours: str
    procedure: str = "ADULT"
    level: str = "ward"
    profession: str = "nurse"
    by_sheet: bool = True
    rates: tuple[float, float] = (0.80, 0.92)


AREAS = {
    area.key: area
    for area in (
        Area(key="emergency", name="Emergency", hospital=SALTMARSH, holders=6, yearly=84, hours="emergency",
             level="department"),
        Area(key="tern", name="Ward 4 Tern", hospital=SALTMARSH, holders=4, yearly=32, hours="ward", by_sheet=False),
        Area(key="heron", name="Ward 5 Heron", hospital=SALTMARSH, holders=5, yearly=40, hours="ward"),
        Area(key="curlew", name="Ward 6 Curlew", hospital=SALTMARSH, holders=4, yearly=30, hours="ward"),
        Area(key="plover", name="Day Unit Plover", hospital=SALTMARSH, holders=5, yearly=110, hours="lists"),
        Area(key="theatre", name="Theatre and Anaesthesia", hospital=SALTMARSH, holders=5, yearly=104, hours="lists",
             level="department", profession="technician"),
        Area(key="imaging", name="Imaging", hospital=SALTMARSH, holders=4, yearly=66, hours="lists",
             level="department", profession="radiographer"),
        Area(key="harbour-emergency", name="Emergency", hospital=HARBOUR, holders=5, yearly=76, hours="emergency",
             level="department"),
        Area(key="egret", name="Ward 1 Egret", hospital=HARBOUR, holders=4, yearly=34, hours="ward"),
        Area(key="avocet", name="Ward 2 Avocet", hospital=HARBOUR, holders=4, yearly=32, hours="ward"),
        Area(key="maternity", name="Maternity Sandpiper", hospital=HARBOUR, holders=4, yearly=44, hours="births",
             profession="midwife"),
        Area(key="neonatal", name="Neonatal Unit", hospital=HARBOUR, holders=4, yearly=38, hours="births",
             procedure="NEONATE", rates=(0.66, 0.78)),
        Area(key="children", name="Children's Ward Dunlin", hospital=HARBOUR, holders=4, yearly=32, hours="ward",
             procedure="CHILD", rates=(0.76, 0.88)),
        # Keeps tallies and logs nothing else: its people are those of telling_tallies.
        Area(key="renal", name="Renal Unit Turnstone", hospital=HARBOUR, holders=0, yearly=0, hours="lists"),
    )
}  # fmt: skip


def path(key: str) -> str:
    """'Saltmarsh Hospital / Ward 4 Tern' for the key of a unit, the hospital's name for that of a hospital."""
    area = AREAS.get(key)
    return HOSPITALS[key] if area is None else f"{HOSPITALS[area.hospital]} / {area.name}"


def hospital(key: str) -> str:
    """The hospital's key for the key of a unit or hospital."""
    return key if key in HOSPITALS else AREAS[key].hospital
