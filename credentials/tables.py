"""The lists of answers and decisions."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

from django import forms
from django.db.models import Case, Exists, F, OuterRef, Prefetch, Q, QuerySet, Subquery, Value, When
from django.urls import reverse

from audits.models import Procedure, Restriction, ScopeByRole
from credentials import founding
from credentials.flags import visible_flags
from credentials.founding import may_decide
from credentials.models import Flag, FlagReply, Referral, Standing
from credentials.rules.answers import Answer, Status
from credentials.rules.words import counted
from credentials.seeing import followed, overseen
from credentials.versions import State, Version
from credentials.whocan import Line
from credentials.wording import DECIDED, RULE_WORDS
from people.access import Access, Right
from people.clock import in_words
from people.models import Placement
from people.naming import called
from sheets.listing import Column, Filter, Listing


def who_can(
    lines: Sequence[Line], *, unit: str, procedure: Procedure, is_ward: bool, tells_more: bool = False
) -> Listing:
    """Everybody on a unit, with what they may do there: all on one page, since it is printed.

    `is_ward`: nothing lies below, so that the unit of each line goes without saying. `tells_more`: for readers who may
    know of somebody here how far they are.
    """
    place = Column("unit", "Unit", value=lambda row: row.unit.rpartition(" / ")[2], sort="unit")
    then = Column("next", "Where it stands")
    return Listing(
        name="who-can",
        title=f"Who can, here and now: {unit}, {procedure.name}",
        rows=lines,
        columns=(
            Column(
                "name",
                "Clinician",
                sort="name",
                link=lambda row: reverse("person", args=[row.clinician.uuid]) if row.clinician else None,
                note="kind",
                note_label="Placement",
            ),
            Column("may", "May insert", "answer", value="may_insert"),
            Column("supervises", "May supervise", "yes_no", sort="supervises"),
            Column("through", "Through", "day", sort="through"),
            *(() if is_ward else (place,)),
            *((then,) if tells_more else ()),
        ),
        order="name",
        per_page=0,
        empty="Nobody is placed or appointed here today.",
        notes=("Answers and last days as the register knows them now; for reasons ask the person or their educator.",),
    )


def flags(access: Access) -> Listing:
    """The flags that this user may see, open ones first."""
    return Listing(
        name="reviews",
        title="Reviews",
        rows=_with_what_came_of_it(visible_flags(access), access.on),
        columns=(
            Column(
                "clinician",
                "Clinician",
                value="clinician.name",
                sort="clinician__name",
                link=lambda row: reverse("review", args=[row.uuid]),
            ),
            Column(
                "rule",
                "Question",
                value=lambda row: RULE_WORDS[row.rule],
                sort="rule",
                note="procedure.name",
                note_label="Procedure",
            ),
            Column(
                "raised",
                "Raised",
                "day",
                value="raised_on",
                sort=("raised_on", "id"),
                note=lambda row: _age(row, access.on),
                note_label="Open for",
            ),
            Column("reply_by", "Reply by", "day", value=lambda row: None if row.closed_id else row.reply_by),
            Column(
                "state",
                "State",
                value=_state,
                sort=("is_open", "raised_on"),
                note=lambda row: _plan_state(row, access.on),
                note_label="Plan",
            ),
            Column("works", "Who works on it", value=_works_on),
        ),
        filters=(
            Filter(
                "state",
                forms.ChoiceField(label="State", choices=STATES, required=False),
                lambda rows, value: _in_state(rows, value, access.on),
            ),
            Filter("name", forms.CharField(label="Name or staff number", required=False), _named),
        ),
        order="-state",
        empty="No questions. When a rule finds something, it appears here and on the person's page the same day.",
    )


STATES = (
    ("", "Open and closed"),
    ("open", "Open"),
    ("late", "Open, past the time to reply"),
    ("closed", "Closed"),
    ("plan", "With an open plan"),
    ("overdue", "With a plan that is overdue"),
)


def _state(row: Flag) -> str:
    return f"Closed: {row.get_outcome_display().lower()}" if row.closed_id else "Open"


def _with_what_came_of_it(rows: QuerySet[Flag], on: date) -> QuerySet[Flag]:
    """With whether it is open, the plan that the person is on for it, and to whom it is shown."""
    plan = Restriction.objects.known().on(on).filter(kind=Restriction.Kind.PLAN, clinician=OuterRef("clinician"))
    plan = plan.filter(procedure=OuterRef("procedure")).order_by("-from_day", "-pk")
    shown = Referral.objects.known().select_related("to").order_by("pk")
    noted = FlagReply.objects.filter(flag=OuterRef("pk")).exclude(by=OuterRef("clinician__user")).order_by("-pk")
    return rows.annotate(
        is_open=Case(When(closed=None, then=1), default=0),
        plan_due=Case(When(outcome=Flag.Outcome.PLAN, then=Subquery(plan.values("due_on")[:1]))),
        noted_by=Subquery(noted.values("by__name")[:1]),
    ).prefetch_related(Prefetch("referrals", shown, to_attr="shown_to"))


def _age(row: Flag, on: date) -> str:
    days = (on - row.raised_on).days
    if row.closed_id or days <= 0:
        return "" if row.closed_id else "since today"
    return f"open for {counted(days, 'day')}"


def _plan_state(row: Any, on: date) -> str:
    if row.outcome != Flag.Outcome.PLAN:
        return ""
    if row.plan_due is None:
        return "the plan ended"
    due = in_words(row.plan_due)
    return f"plan overdue since {due}" if row.plan_due < on else f"plan open, by {due}"


def _works_on(row: Any) -> str:
    """Those who have to do with it: whoever closed it or noted something last, and those to whom it is shown."""
    first = row.closed_by.name if row.closed_by else row.noted_by
    return ", ".join(dict.fromkeys(name for name in (first, *(each.to.name for each in row.shown_to)) if name))


def _in_state(rows: QuerySet[Any], value: str, on: date) -> QuerySet[Any]:
    if value == "plan":
        return rows.filter(plan_due__isnull=False)
    if value == "overdue":
        return rows.filter(plan_due__lt=on)
    if value == "late":
        return rows.filter(closed=None, reply_by__lt=on)
    return rows.filter(closed__isnull=value == "open")


def documents(rows: Sequence[Version], *, procedures: Sequence[Procedure]) -> Listing:
    """The versions of rules, programmes and checklists that concern a reader, each with whether it is in force."""
    return Listing(
        name="rules",
        title="Versions of rules, programmes and checklists",
        rows=rows,
        columns=(
            Column(
                "version",
                "Version",
                value="title",
                sort=("row.name", "row.version"),
                link=lambda row: reverse("document", args=[row.kind, row.row.uuid]),
                note="kind_words",
                note_label="Kind",
            ),
            Column("procedure", "Procedure", value="row.procedure.name", sort=("row.procedure.name", "path")),
            Column("unit", "Unit", value="path", sort="path"),
            Column("from", "In effect from", "day", value="row.effective_on", sort="row.effective_on"),
            Column("state", "State", value="state", note="decided", note_label="Approved by"),
        ),
        filters=(
            Filter("kind", forms.ChoiceField(label="Kind", choices=DOCUMENT_KINDS, required=False), _of_kind),
            Filter("procedure", _choice("Procedure", [(each.code, each.name) for each in procedures]), _for_procedure),
            Filter("state", _choice("State", [(each.value, each.words) for each in State]), _in_document_state),
        ),
        order="procedure",
        empty="No version yet. Propose one; it binds once somebody else has approved it.",
    )


DOCUMENT_KINDS = (
    ("", "Every kind"),
    ("rules", "Rules"),
    ("programme", "Programmes"),
    ("checklist", "Checklists"),
)


def _of_kind(rows: Sequence[Version], value: str) -> list[Version]:
    return [row for row in rows if row.kind == value]


def _for_procedure(rows: Sequence[Version], value: str) -> list[Version]:
    return [row for row in rows if row.row.procedure.code == value]


def _in_document_state(rows: Sequence[Version], value: str) -> list[Version]:
    return [row for row in rows if row.at.value == value]


def foundings(access: Access) -> Listing:
    """The claims that wait at this user's units; each leads to its decision, unless somebody else has to make it."""
    return Listing(
        name="awards-from-before",
        title="Awards from before the register that wait",
        rows=founding.waiting(access),
        columns=(
            Column(
                "clinician",
                "Clinician",
                value="clinician.name",
                sort=("clinician__name", "clinician_id"),
                link=lambda row: reverse("founding_decide", args=[row.uuid]) if may_decide(access, row) else None,
                note=lambda row: "" if may_decide(access, row) else "waits for somebody else",
                note_label="Remark",
            ),
            Column("procedure", "Procedure", value="procedure.name", sort="procedure__name"),
            Column("unit", "Holds at", value=lambda row: access.tree.path(row.scope_unit_id)),
            Column("awarded", "Awarded on", "day", value="awarded_on", sort="awarded_on"),
            Column("through", "Through", "day", value=founding.last_day, sort="expires_on"),
            Column(
                "evidence", "What shows it", value="evidence_kind", note="evidence_place", note_label="Where it is kept"
            ),
            Column("entered", "Entered by", value="entered_by.name", sort="entered_by__name"),
        ),
        filters=(Filter("name", forms.CharField(label="Name or staff number", required=False), _named),),
        order="clinician",
        empty="Nothing waits. Awards from before the register are entered on a person's page, or come with the staff "
        "list.",
    )


def scopes(access: Access) -> Listing:
    """The scopes by role that stand at this user's units, past ones with them."""
    rows = ScopeByRole.objects.known().filter(unit__in=access.units_for(Right.KEEP_RULES))
    return Listing(
        name="scopes-by-role",
        title="Scopes by role",
        rows=rows.select_related("clinician", "procedure", "unit"),
        columns=(
            Column(
                "who",
                "Who",
                value=lambda row: row.clinician.name if row.clinician else row.get_profession_display(),
                sort=("profession", "clinician__name"),
                link=lambda row: reverse("scope_end", args=[row.uuid]) if _may_end(access, row) else None,
                note=lambda row: "" if row.clinician else "everybody of this profession placed there",
                note_label="Remark",
            ),
            Column("procedure", "Procedure", value="procedure.name", sort="procedure__name"),
            Column("unit", "At", value=lambda row: access.tree.path(row.unit_id)),
            Column("from", "From", "day", value="from_day", sort="from_day"),
            Column("through", "Through", "day", value=_scope_through, sort="until_day"),
            Column("basis", "On what grounds", value="basis"),
        ),
        order="-from",
        empty="Nobody inserts by role here. Decide one for a profession below, or for one person on their page.",
    )


def _may_end(access: Access, row: ScopeByRole) -> bool:
    """Whether it could still end on another day, and this user might decide so; the page asks once more."""
    own = access.clinician is not None and row.clinician_id == access.clinician.pk
    ended = row.until_day is not None and row.until_day <= access.on
    return access.may(Right.DECIDE, row.unit_id) and not own and not ended


def _scope_through(row: ScopeByRole) -> date | None:
    return row.until_day - timedelta(days=1) if row.until_day else None


def people(access: Access) -> Listing:
    """Those about whom this user may know how far they are, with what is stored of each procedure they stand in."""
    may_know_why = Exists(overseen(access).filter(pk=OuterRef("clinician")))
    shown = Case(When(~may_know_why & Q(status__in=DECIDED), then=Value("")), default=F("status"))
    rows = (
        Standing.objects.filter(clinician__in=followed(access).values("pk"))
        .annotate(shown_status=shown)
        .select_related("clinician", "procedure")
        .prefetch_related(
            Prefetch(
                "clinician__placements",
                Placement.objects.known().on(access.on).filter(home=True).order_by("id"),
                to_attr="homes",
            )
        )
    )
    return Listing(
        name="people",
        title="People",
        rows=rows,
        columns=(
            Column(
                "clinician",
                "Clinician",
                value="clinician.name",
                sort=("clinician__name", "clinician_id"),
                link=_person_link,
                note=lambda row: _home_path(access, row),
                note_label="Unit",
            ),
            Column("procedure", "Procedure", value="procedure.name", sort="procedure__name"),
            Column("may", "May insert", "answer", value=lambda row: Answer(row.may_insert)),
            Column("status", "Status", value=_shown_status, sort="shown_status"),
            Column("through", "Through", "day", value=_through, sort="expires_on"),
        ),
        filters=(
            Filter("name", forms.CharField(label="Name or staff number", required=False), _named),
            Filter("unit", _choice("Unit", _units(access)), _on_unit(access)),
            Filter("procedure", _choice("Procedure", _procedures), _of_procedure),
            Filter("status", _choice("Status", [(each.value, each.words) for each in Status]), _of_status),
            Filter("may", _choice("May insert", [(each.value, each.words) for each in Answer]), _may, folded=True),
            Filter("ends", _choice("Ends within", ENDS_WITHIN), _ends_within(access.on), folded=True),
        ),
        order="clinician",
        empty="Nobody here is enrolled or holds anything yet. Look somebody up under Who can and enrol them from their "
        "page.",
        notes=("Standings as last worked out; the page of a person is worked out afresh.",),
    )


ENDS_WITHIN = (("30", "30 days"), ("90", "90 days"), ("180", "180 days"), ("365", "a year"))


def _choice(label: str, choices: Any) -> forms.ChoiceField:
    """A question of a filter that may be left open."""

    def offered() -> list[tuple[str, str]]:
        return [("", "Any"), *(choices() if callable(choices) else choices)]

    return forms.ChoiceField(label=label, choices=offered, required=False)


def _procedures() -> list[tuple[str, str]]:
    return [(each.code, each.name) for each in Procedure.objects.all()]


def _shown_status(row: Any) -> str:
    return Status(row.shown_status).words if row.shown_status else "ask an educator"


def _person_link(row: Standing) -> str:
    return f"{reverse('person', args=[row.clinician.uuid])}?procedure={row.procedure_id}"


def _home_path(access: Access, row: Standing) -> str:
    homes = row.clinician.homes  # type: ignore[attr-defined]
    return access.tree.path(homes[0].unit_id) if homes and homes[0].unit_id in access.tree else "no unit today"


def _through(row: Standing) -> date | None:
    held = Status(row.status).is_held or row.status in (Status.IN_GRACE, Status.BY_ROLE)
    return row.expires_on - timedelta(days=1) if held and row.expires_on else None


def _named(rows: QuerySet[Any], value: str) -> QuerySet[Any]:
    """Those whose name or staff number holds every word."""
    return rows.filter(called(value, "clinician__"))


def _of_procedure(rows: QuerySet[Standing], value: str) -> QuerySet[Standing]:
    return rows.filter(procedure__code=value)


def _of_status(rows: QuerySet[Standing], value: str) -> QuerySet[Standing]:
    return rows.filter(shown_status=value)  # type: ignore[misc]  # annotated in `people`


def _may(rows: QuerySet[Standing], value: str) -> QuerySet[Standing]:
    return rows.filter(may_insert=value)


def _ends_within(today: date) -> Callable[[QuerySet[Standing], str], QuerySet[Standing]]:
    """Awards in force whose last day comes within so many days."""

    def narrow(rows: QuerySet[Standing], value: str) -> QuerySet[Standing]:
        held = [each.value for each in Status if each.is_held]
        return rows.filter(status__in=held, expires_on__lte=today + timedelta(days=int(value) + 1))

    return narrow


def _units(access: Access) -> list[tuple[str, str]]:
    inset = "\u2003"
    units = access.neighbourhood
    return [(str(each), inset * depth + access.tree.name(each)) for each, depth in access.tree.walk() if each in units]


def _on_unit(access: Access) -> Callable[[QuerySet[Standing], str], QuerySet[Standing]]:
    def narrow(rows: QuerySet[Standing], value: str) -> QuerySet[Standing]:
        placed = Placement.objects.known().on(access.on).filter(home=True, unit__in=access.tree.below(int(value)))
        return rows.filter(clinician__in=placed.values("clinician"))

    return narrow
