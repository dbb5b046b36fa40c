"""The lists of set-up: accounts and staff."""

from collections.abc import Callable, Mapping
from typing import Any

from django import forms
from django.db.models import Prefetch, Q, QuerySet
from django.urls import reverse

from people import accounts, clock
from people.access import Access, Right
from people.models import Appointment, Clinician, Placement, User
from people.tree import Tree
from sheets.listing import Column, Filter, Listing

STATES = (("in_use", "In use"), ("invited", "Invited, not entered yet"), ("new", "Not invited yet"), ("ended", "Ended"))


def account_list(access: Access) -> Listing:
    current = Appointment.objects.known().filter(Q(until_day=None) | Q(until_day__gt=access.on)).order_by("id")
    rows = (
        accounts.administered(access)
        .select_related("clinician")
        .prefetch_related(
            Prefetch("appointments", current, to_attr="current"),
            Prefetch("invitations", to_attr="invited"),
        )
    )
    return Listing(
        name="accounts",
        title="Accounts",
        rows=rows,
        columns=(
            Column("name", "Name", sort="name", link=lambda row: reverse("account_page", args=[row.uuid])),
            Column("email", "E-mail", sort="email"),
            Column("profession", "Profession", value="get_profession_display", sort="profession"),
            Column("staff_number", "Staff number", value=_staff_number, sort="clinician__staff_number"),
            Column("appointed", "Appointed", value=_appointed(access.tree)),
            Column("state", "State", value=state_words),
        ),
        filters=(
            Filter("name", forms.CharField(label="Name or e-mail", required=False), _by_name_or_email),
            Filter(
                "state", forms.ChoiceField(label="State", choices=[("", "Any"), *STATES], required=False), _in_state
            ),
        ),
        order="name",
        empty="No account yet. Open one, and its owner gets an invitation.",
    )


def staff_list(access: Access) -> Listing:
    current = Placement.objects.known().filter(Q(until_day=None) | Q(until_day__gt=access.on)).order_by("-home", "id")
    rows = (
        access.clinicians_for(Right.PLACE)
        .select_related("user")
        .prefetch_related(Prefetch("placements", current, to_attr="current"))
    )
    return Listing(
        name="staff",
        title="Staff and placements",
        rows=rows,
        columns=(
            Column(
                "name", "Name", sort=("name", "staff_number"), link=lambda row: reverse("staff_page", args=[row.uuid])
            ),
            Column("staff_number", "Staff number", sort="staff_number"),
            Column("profession", "Profession", value="get_profession_display", sort="profession"),
            Column("home", "Home unit", value=_home(access.tree)),
            Column("others", "Also on", value=_others(access.tree)),
            Column("account", "Account", "yes_no", value=lambda row: row.user is not None),
        ),
        filters=(
            Filter("name", forms.CharField(label="Name or staff number", required=False), _by_name_or_number),
            Filter(
                "unit",
                forms.TypedChoiceField(
                    label="On", choices=_units(access), coerce=int, empty_value=None, required=False
                ),
                lambda rows, unit: rows.placed(access.tree.below(unit), access.on),
            ),
        ),
        order="name",
        empty="Nobody is on the staff yet. Import a staff list, or take people in one by one.",
    )


def state(user: User) -> str:
    """A code of STATES. Reads `invited`, prefetched."""
    if not user.is_active:
        return "ended"
    if user.own_secret:
        return "in_use"
    is_open = any(each.used_at is None and each.expires_at > clock.now() for each in user.invited)  # type: ignore[attr-defined]
    return "invited" if is_open else "new"


def state_words(user: User) -> str:
    return dict(STATES)[state(user)]


def placement_words(placement: Placement, tree: Tree) -> str:
    """Ward 4 Tern (bank, through 3 March 2026)."""
    more = [placement.get_kind_display().lower()] if placement.kind != Placement.Kind.EMPLOYED else []
    if placement.until_day:
        more.append(clock.through(placement.until_day))
    return tree.path(placement.unit_id) + (f" ({', '.join(more)})" if more else "")


def appointment_words(appointment: Appointment, tree: Tree) -> str:
    """Supervisor, Ward 4 Tern (through 3 March 2026)."""
    end = f" ({clock.through(appointment.until_day)})" if appointment.until_day else ""
    return f"{appointment.get_role_display()}, {tree.path(appointment.unit_id)}{end}"


def _appointed(tree: Tree) -> Callable[[Any], str]:
    return lambda user: "; ".join(appointment_words(each, tree) for each in user.current)


def _home(tree: Tree) -> Callable[[Any], str]:
    return lambda clinician: "; ".join(placement_words(each, tree) for each in clinician.current if each.home)


def _others(tree: Tree) -> Callable[[Any], str]:
    return lambda clinician: "; ".join(placement_words(each, tree) for each in clinician.current if not each.home)


def _staff_number(user: User) -> str:
    return user.clinician.staff_number if hasattr(user, "clinician") else ""


def _by_name_or_email(rows: QuerySet[User], text: str) -> QuerySet[User]:
    return rows.filter(Q(name__icontains=text) | Q(email__icontains=text))


def _by_name_or_number(rows: QuerySet[Clinician], text: str) -> QuerySet[Clinician]:
    return rows.filter(Q(name__icontains=text) | Q(staff_number__icontains=text))


def _in_state(rows: QuerySet[User], wanted: str) -> QuerySet[User]:
    waits = Q(invitations__used_at=None, invitations__expires_at__gt=clock.now())
    open_ones = User.objects.filter(waits).values("pk")
    narrowed: Mapping[str, QuerySet[User]] = {
        "ended": rows.filter(is_active=False),
        "in_use": rows.filter(is_active=True, own_secret=True),
        "invited": rows.filter(is_active=True, own_secret=False, pk__in=open_ones),
        "new": rows.filter(is_active=True, own_secret=False).exclude(pk__in=open_ones),
    }
    return narrowed[wanted]


def _units(access: Access) -> list[tuple[Any, str]]:
    allowed = access.units_for(Right.PLACE)
    inset = "\u2003"
    units = [(each, inset * depth + access.tree.name(each)) for each, depth in access.tree.walk() if each in allowed]
    return [("", "Every unit"), *units]
