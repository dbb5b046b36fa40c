"""Set-up of units: the tree, opening, renaming, moving, and the local settings of each."""

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from people import access, first_day, settings, units
from people.access import Access, Right
from people.forms import SettingForm, UnitForm
from people.models import Setting, Unit
from people.pages import go, page, show_problems
from people.problems import Problems


@require_http_methods(["GET"])
def set_up(request: HttpRequest) -> HttpResponse:
    mine = access.of(request)
    return page(request, "people/set_up.html", {"steps": first_day.steps(mine), **_may(mine)})


@require_http_methods(["GET"])
def unit_list(request: HttpRequest) -> HttpResponse:
    mine = access.of(request)
    administered, settable = mine.units_for(Right.ADMINISTER), mine.units_for(Right.KEEP_RULES)
    walk = mine.tree.walk()
    rows = [(mine.tree.nodes[each], "\u2003" * depth) for each, depth in walk if each in administered | settable]
    return page(request, "people/units.html", {"rows": rows, "administered": administered, "settable": settable})


@require_http_methods(["GET", "POST"])
def unit_open(request: HttpRequest) -> HttpResponse:
    mine = access.of(request)
    parents = mine.units_for(Right.ADMINISTER)
    form = UnitForm(
        request.POST or None, tree=mine.tree, parents=parents, is_new=True, initial={"parent": request.GET.get("below")}
    )
    if request.method == "POST" and form.is_valid():
        try:
            units.open_unit(actor=mine.user, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "units", message=f"{form.cleaned_data['name']} is open.")
    return page(request, "people/unit_form.html", {"form": form})


@require_http_methods(["GET", "POST"])
def unit_change(request: HttpRequest, unit_id: int) -> HttpResponse:
    mine = access.of(request)
    node = mine.tree.nodes[mine.get_unit(unit_id, Right.ADMINISTER)]
    parents = mine.units_for(Right.ADMINISTER) - mine.tree.below(node.id)
    form = UnitForm(
        request.POST or None,
        tree=mine.tree,
        parents=parents,
        is_new=False,
        initial={"name": node.name, "zone": node.zone, "parent": node.parent},
    )
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            units.change_unit(
                actor=mine.user,
                unit=Unit.objects.get(pk=node.id),
                name=given["name"],
                zone=given["zone"] or None,
                parent=given["parent"] or None,
            )
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "units", message="Changed. What was known before stays as it was known then.")
    return page(request, "people/unit_form.html", {"form": form, "node": node})


@require_http_methods(["GET"])
def unit_settings(request: HttpRequest, unit_id: int) -> HttpResponse:
    """Every setting of a unit: its value today, where that comes from, and what was set here when."""
    mine = access.of(request)
    node = mine.tree.nodes[mine.get_unit(unit_id, Right.KEEP_RULES)]
    rows = settings.overview(mine.tree, node.id, on=mine.on)
    history = Setting.objects.filter(unit=node.id).select_related("known_from__actor").order_by("-known_from")
    return page(
        request,
        "people/unit_settings.html",
        {"node": node, "path": mine.tree.path(node.id), "rows": rows, "history": [_told(each) for each in history]},
    )


@require_http_methods(["GET", "POST"])
def unit_setting(request: HttpRequest, unit_id: int, name: str) -> HttpResponse:
    mine = access.of(request)
    node = mine.tree.nodes[mine.get_unit(unit_id, Right.KEEP_RULES)]
    if name not in settings.NAMES:
        raise Http404(f"{name} is no setting.")
    form = SettingForm(request.POST or None, name=name, about=settings.about_choices(), today=mine.on)
    if request.method == "POST" and form.is_valid():
        try:
            settings.set_setting(
                actor=mine.user,
                unit=Unit.objects.get(pk=node.id),
                name=name,
                value=form.text(),
                about=form.cleaned_data.get("about", ""),
                from_day=form.cleaned_data["from_day"],
            )
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "unit_settings", node.id, message=f"{settings.NAMES[name].title}: set.")
    context = {"form": form, "node": node, "path": mine.tree.path(node.id), "setting": settings.NAMES[name]}
    return page(request, "people/unit_setting.html", context)


def _told(row: Setting) -> dict[str, Any]:
    return {
        "title": settings.NAMES[row.name].title if row.name in settings.NAMES else row.name,
        "about": row.about,
        "words": settings.value_words(row.name, settings.parsed(row)),
        "from_day": row.from_day,
        "act": row.known_from,
        "is_replaced": row.known_until_id is not None,
    }


def _may(mine: Access) -> dict[str, bool]:
    return {
        "may_administer": mine.may_somewhere(Right.ADMINISTER),
        "may_keep_rules": mine.may_somewhere(Right.KEEP_RULES),
        "may_place": mine.may_somewhere(Right.PLACE),
    }
