"""The planning page and its workbook: what ends, cover, what is overdue, and the policies to be looked at again."""

import io
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from audits import charts
from credentials.cover import Cover, cover
from credentials.models import LocalPolicy, Standing
from credentials.overdue import Unsigned, Unwatched, unsigned, unwatched
from credentials.policies import in_force
from credentials.rules.answers import Answer, Status
from credentials.seeing import overseen
from credentials.versions import concerning
from credentials.wording import DECIDED
from credentials.year_ahead import Ahead, homes_of, year_ahead
from people.access import Access, Right
from people.models import Placement
from sheets.writing import Column, write_book

AHEAD = timedelta(days=366)
CAUTION = (
    "Dates and what is due, as worked out when this was made. Defer to local policy; ask again before relying on it."
)


@dataclass(frozen=True, kw_only=True)
class Planning:
    """Everything on the page of who plans."""

    on: date
    ahead: Ahead
    covers: Sequence[Cover]
    unsigned: Sequence[Unsigned]
    unwatched: Sequence[Unwatched]
    policies: Sequence[LocalPolicy]

    @property
    def picture(self) -> str:
        """The months as a drawing: what ended already first."""
        total = self.ahead.total
        months = [("ended", total.ended.own, total.ended.apart)]
        named = zip(self.ahead.months, total.months, strict=True)
        return charts.endings_ahead([*months, *((f"{day:%b %Y}", cell.own, cell.apart) for day, cell in named)])

    @property
    def short(self) -> list[Cover]:
        return [each for each in self.covers if each.is_short]


def planning(access: Access) -> Planning:
    """The page of this user. Standings are read as stored. The number of queries does not grow with what is shown."""
    policies = in_force(concerning(access)).filter(review_on__lte=access.on + AHEAD)
    return Planning(
        on=access.on,
        ahead=year_ahead(access),
        covers=cover(access),
        unsigned=unsigned(access),
        unwatched=unwatched(access),
        policies=list(policies),
    )


PEOPLE = (
    Column("clinician", "Clinician", width=28),
    Column("number", "Staff number", about="As the hospital gives it"),
    Column("placement", "Placement"),
    Column("procedure", "Procedure", width=24),
    Column("may", "May insert", about="At the home unit, on the day the workbook was made"),
    Column("status", "Status"),
    Column("through", "Award through", "day", about="The last day of the award in force, or that ended last"),
)
COVERS = (
    Column("unit", "Unit", width=34),
    Column("procedure", "Procedure", width=24),
    Column("needed", "Needed", "number", about="Own people who may insert alone"),
    Column("have", "Have", "number", about="Own people who may insert alone today"),
    Column("apart", "Agency, bank, locum", "number", about="Who may insert alone, counted apart"),
    Column("supervisors", "Supervisors", "number"),
    Column("supervisors_needed", "Supervisors needed", "number"),
)
SIGNATURES = (
    Column("supervisor", "Supervisor", width=28),
    Column("unit", "Unit", width=34),
    Column("oldest", "Oldest of", "day"),
    Column("this_week", "To sign within a week", "number"),
    Column("too_late", "Past the time", "number", about="Only an educator may accept these, on other evidence"),
)
POLICIES = (
    Column("title", "Policy", width=40),
    Column("kept_at", "Where it is kept", width=40),
    Column("review_on", "Look again by", "day"),
)


def workbook(access: Access, *, made_at: datetime) -> tuple[bytes, int]:
    """The page as a workbook: cover, a sheet for each unit with its people, signatures and policies; and its rows."""
    shown = planning(access)
    months = [Column(f"m{place}", f"End of {day:%B %Y}", "number") for place, day in enumerate(shown.ahead.months)]
    next_ = Column("next", "Needs next", width=60)
    covers = [
        (
            each.path, each.procedure.name, each.needed, each.today.own, each.today.apart, each.supervisors,
            each.supervisors_needed, *(count.own for count in each.month_ends), each.next,
        )
        for each in shown.covers
    ]  # fmt: skip
    lists: list[tuple[str, Sequence[Column | str], Sequence[Sequence[object]]]] = [
        ("Cover", [*COVERS, *months, next_], covers),
        *((path.rpartition(" / ")[2], PEOPLE, rows) for path, rows in _by_unit(access)),
        (
            "Signatures",
            SIGNATURES,
            [(each.name, each.path, each.oldest, each.this_week, each.too_late) for each in shown.unsigned],
        ),
        ("Policies", POLICIES, [(each.title, each.kept_at, each.review_on) for each in shown.policies]),
    ]
    out = io.BytesIO()
    write_book(out, lists, title="The year ahead", notes=(CAUTION,), made_at=made_at)
    return out.getvalue(), sum(len(rows) for _, _, rows in lists)


def _by_unit(access: Access) -> list[tuple[str, list[tuple[object, ...]]]]:
    """For each unit where somebody overseen is at home, a row for each person and procedure, by name."""
    homes = homes_of(access.on, access.units_for(Right.UNIT_FIGURES))
    told = set(overseen(access).values_list("pk", flat=True))
    rows = Standing.objects.filter(clinician__in=access.clinicians_for(Right.UNIT_FIGURES).values("pk"))
    found: dict[str, list[tuple[object, ...]]] = defaultdict(list)
    for row in rows.select_related("clinician", "procedure").order_by("clinician__name", "clinician_id", "procedure"):
        home = homes.get(row.clinician_id)
        if home is None:
            continue
        is_told = row.clinician_id in told or row.status not in DECIDED
        found[access.tree.path(home.unit_id)].append(
            (
                row.clinician.name,
                row.clinician.staff_number,
                str(Placement.Kind(home.kind).label),
                row.procedure.name,
                Answer(row.may_insert).words,
                Status(row.status).words if is_told else "ask an educator",
                row.expires_on - timedelta(days=1) if row.expires_on else None,
            )
        )
    return sorted(found.items(), key=lambda each: each[0].casefold())
