"""The year ahead for who plans: awards that end, by unit and month, with the names behind each number.

Dates and what is due, never anybody's figures. A unit's own people are those employed there; agency, bank and locum
staff and students stand apart. Standings are read as stored: bring them up to date first (`standings.refresh`).
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django import forms
from django.urls import reverse

from audits.calendar import add_months
from audits.charts import Table
from audits.models import Procedure
from credentials.models import Standing
from credentials.rules.answers import Answer, Status
from people.access import Access, Right
from people.models import Clinician, Placement
from sheets.listing import Column, Filter, Listing

MONTHS = 12
APART = (Placement.Kind.AGENCY, Placement.Kind.BANK, Placement.Kind.LOCUM)
ENDED = "ended"  # in place of a month: expired already, in grace


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """An award that ends within the year, or ended and is in grace: whose, of what, where they are at home."""

    clinician: Clinician
    procedure: Procedure
    unit: int
    path: str
    kind: str  # of the placement at home
    status: Status
    answer: Answer
    last_day: date

    @property
    def is_apart(self) -> bool:
        """Whether they are not employed there: agency, bank, locum, student."""
        return self.kind != Placement.Kind.EMPLOYED

    @property
    def kind_words(self) -> str:
        return "" if self.kind == Placement.Kind.EMPLOYED else str(Placement.Kind(self.kind).label).lower()


@dataclass(frozen=True, slots=True)
class Cell:
    """How many awards end: those of the unit's own people, and those of agency, bank and locum staff and students."""

    own: int = 0
    apart: int = 0

    @property
    def words(self) -> str:
        """'2', '2 (+1)' with one apart, '' for none."""
        if not self.own and not self.apart:
            return ""
        return f"{self.own} (+{self.apart})" if self.apart else str(self.own)


@dataclass(frozen=True, slots=True)
class Row:
    """One unit: what ended already, then each month."""

    path: str
    ended: Cell
    months: Sequence[Cell]

    @property
    def name(self) -> str:
        return self.path.rpartition(" / ")[2]

    @property
    def where(self) -> str:
        """What the unit lies in, '' for a hospital."""
        return self.path.rpartition(" / ")[0]


@dataclass(frozen=True, kw_only=True)
class Ahead:
    """Everything that ends in the twelve months from the one of `on`."""

    on: date
    months: Sequence[date]  # their first days
    endings: Sequence[Ending]

    def rows(self) -> list[Row]:
        """The units with something that ends, by path."""
        of: dict[str, list[Ending]] = defaultdict(list)
        for each in self.endings:
            of[each.path].append(each)
        return [Row(path, *self._cells(of[path])) for path in sorted(of, key=str.casefold)]

    @property
    def total(self) -> Row:
        return Row("All", *self._cells(self.endings))

    def _cells(self, endings: Iterable[Ending]) -> tuple[Cell, list[Cell]]:
        counts = Counter((self.month_of(each), each.is_apart) for each in endings)
        cells = [Cell(counts[month, False], counts[month, True]) for month in [None, *self.months]]
        return cells[0], cells[1:]

    def month_of(self, ending: Ending) -> date | None:
        """The month in which an award ends; None where it ended before today."""
        return None if ending.last_day < self.on else ending.last_day.replace(day=1)

    def table(self) -> Table:
        """The numbers of the picture."""
        ended, months = self.total.ended, self.total.months
        lines = [
            ("Ended, in grace", ended),
            *((f"{day:%B %Y}", cell) for day, cell in zip(self.months, months, strict=True)),
        ]
        return Table(
            ("Month", "Employed there", "Agency, bank, locum, student"),
            tuple((words, str(cell.own), str(cell.apart)) for words, cell in lines),
        )


def months_from(on: date) -> list[date]:
    """The first days of twelve months, from that of a day."""
    first = on.replace(day=1)
    return [add_months(first, each) for each in range(MONTHS)]


def year_ahead(access: Access) -> Ahead:
    """What ends for the people whom this user oversees. The number of queries does not grow with them."""
    months = months_from(access.on)
    until = add_months(months[0], MONTHS)
    held = [each.value for each in Status if each.is_held] + [Status.IN_GRACE.value]
    rows = (
        Standing.objects.filter(
            clinician__in=access.clinicians_for(Right.UNIT_FIGURES).values("pk"),
            status__in=held,
            expires_on__isnull=False,
            expires_on__lte=until,
        )
        .select_related("clinician", "procedure")
        .order_by("expires_on", "clinician__name", "pk")
    )
    homes = homes_of(access.on, access.units_for(Right.UNIT_FIGURES))
    endings = [
        Ending(
            clinician=row.clinician,
            procedure=row.procedure,
            unit=home.unit_id,
            path=access.tree.path(home.unit_id),
            kind=home.kind,
            status=Status(row.status),
            answer=Answer(row.may_insert),
            last_day=row.expires_on - timedelta(days=1),
        )
        for row in rows
        if row.expires_on is not None and (home := homes.get(row.clinician_id)) is not None
    ]
    return Ahead(on=access.on, months=months, endings=endings)


def homes_of(on: date, units: Collection[int]) -> Mapping[int, Placement]:
    """The home placement of a day of everybody at home on these units."""
    rows = Placement.objects.known().on(on).filter(home=True, unit__in=units).order_by("pk")
    return {row.clinician_id: row for row in rows}


def listing(ahead: Ahead) -> Listing:
    """The names behind the numbers, by last day."""
    units = sorted({(each.unit, each.path) for each in ahead.endings}, key=lambda each: each[1].casefold())
    months = [("", "Any"), (ENDED, "Ended, in grace"), *((f"{day:%Y-%m}", f"{day:%B %Y}") for day in ahead.months)]
    procedures = sorted({(each.procedure.code, each.procedure.name) for each in ahead.endings})

    def in_month(rows: Sequence[Ending], value: str) -> list[Ending]:
        return [row for row in rows if (f"{day:%Y-%m}" if (day := ahead.month_of(row)) else ENDED) == value]

    return Listing(
        name="year-ahead",
        title="Awards that end in the year ahead",
        rows=list(ahead.endings),
        columns=(
            Column(
                "clinician",
                "Clinician",
                value="clinician.name",
                sort="clinician.name",
                link=lambda row: f"{reverse('person', args=[row.clinician.uuid])}?procedure={row.procedure.pk}",
                note="kind_words",
                note_label="Placement",
            ),
            Column("unit", "Unit", value="path", sort="path"),
            Column("procedure", "Procedure", value="procedure.name", sort="procedure.name"),
            Column("last_day", "Award through", "day", sort=("last_day", "clinician.name")),
            Column("status", "Status", value="status.words"),
        ),
        filters=(
            Filter("unit", _choice("Unit", [(str(key), path) for key, path in units]), _on_unit),
            Filter("procedure", _choice("Procedure", procedures), _of_procedure),
            Filter("month", forms.ChoiceField(label="Month", choices=months, required=False), in_month),
        ),
        order="last_day",
        per_page=0,  # it is printed
        empty="No award of anybody you oversee ends within the year.",
        notes=("Awards as they stand now: a renewal moves them.",),
    )


def _choice(label: str, choices: Iterable[tuple[str, str]]) -> forms.ChoiceField:
    return forms.ChoiceField(label=label, choices=[("", "Any"), *choices], required=False)


def _on_unit(rows: Sequence[Ending], value: str) -> list[Ending]:
    return [row for row in rows if str(row.unit) == value]


def _of_procedure(rows: Sequence[Ending], value: str) -> list[Ending]:
    return [row for row in rows if row.procedure.code == value]
