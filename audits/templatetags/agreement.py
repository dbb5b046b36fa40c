"""Where the list of observations leads on to: agreement and missed steps, for whoever may open them."""

from collections.abc import Mapping
from typing import Any

from django import template

from people import access
from people.access import Right

register = template.Library()


@register.inclusion_tag("audits/_agreement_links.html", takes_context=True)
def agreement_links(context: Mapping[str, Any]) -> dict[str, bool]:
    mine = access.of(context["request"])
    return {
        "may_compare": mine.may_somewhere(Right.SUPERVISE) or mine.may_somewhere(Right.FIGURES),
        "may_see_missed": mine.may_somewhere(Right.UNIT_FIGURES),
    }
