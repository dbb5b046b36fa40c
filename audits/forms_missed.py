"""What is asked of the page on missed steps: unit, checklist version, setting, quarters, cohort, and what to show."""

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms

from audits.checklist import SETTING_WORDS, Setting
from audits.missing import Asked, Offered
from audits.quarters import Quarter, through
from audits.small_cells import Began
from audits.tables import INSET
from audits.wording_versions import version_words
from people.access import Access, Right
from people.fields import Form

MOST_QUARTERS = 40
BY = {"topic": "All quarters and units", "quarter": "Each quarter", "unit": "Each unit below"}


class MissedForm(Form):
    """Sent by GET, and always bound: what the address does not say has its default."""

    use_required_attribute = False

    unit = forms.TypedChoiceField(label="Unit, with all below", coerce=int)
    of = forms.ChoiceField(label="Checklist")
    setting = forms.ChoiceField(label="Where")
    first = forms.ChoiceField(label="From")
    last = forms.ChoiceField(label="Through")
    cohort = forms.ChoiceField(label="Whose practice", required=False)
    by = forms.ChoiceField(label="Show", choices=list(BY.items()))
    step = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, data: Mapping[str, Any], *, access: Access, offered: Sequence[Offered]) -> None:
        units = unit_choices(access)
        versions = {str(each.checklist.uuid): each.checklist for each in offered}
        now = Quarter.of(access.on)
        begin = max(now.later(1 - MOST_QUARTERS), Quarter.of(min(each.first for each in offered)))
        quarters = list(through(min(begin, now), now))
        defaults = {
            "unit": str(units[0][0]),
            "of": str(offered[0].checklist.uuid),
            "setting": _first_setting(offered),
            "first": max(quarters[0], now.later(-3)).code,
            "last": now.code,
            "cohort": "",
            "by": "topic",
        }
        given = {name: data[name] for name in self.base_fields if data.get(name)}
        super().__init__({**defaults, **given})
        self.versions = versions
        self._choose("unit", units)
        self._choose("of", [(uuid, version_words(row, access.tree)) for uuid, row in versions.items()])
        self._choose("setting", [*SETTING_WORDS.items()])
        self._choose("first", [(each.code, each.words) for each in reversed(quarters)])
        self._choose("last", [(each.code, each.words) for each in reversed(quarters)])
        self._choose("cohort", [("", "Everybody’s"), *_cohorts(quarters)])

    def _choose(self, name: str, choices: Sequence[tuple[Any, str]]) -> None:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)
        field.choices = choices

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        first, last = said.get("first"), said.get("last")
        if first and last and Quarter.parse(last) < Quarter.parse(first):
            self.add_error("last", "Choose a quarter that is not before the first.")
        return said

    @property
    def asked(self) -> Asked:
        """What is asked, once the form is valid."""
        said = self.cleaned_data
        return Asked(
            unit=said["unit"],
            checklist=self.versions[said["of"]],
            setting=said["setting"],
            first=Quarter.parse(said["first"]),
            last=Quarter.parse(said["last"]),
            began=began_of(said["cohort"]),
        )

    @property
    def cohort_words(self) -> str:
        """Everybody, or: people first observed in 2026."""
        began = began_of(self.cleaned_data["cohort"])
        return f"people first observed in {_words(began)}" if began else "everybody"


def unit_choices(access: Access) -> list[tuple[str, str]]:
    """The units whose figures one may see, as the tree has them."""
    mine = access.units_for(Right.UNIT_FIGURES)
    return [(str(each), INSET * depth + access.tree.name(each)) for each, depth in access.tree.walk() if each in mine]


def _first_setting(offered: Sequence[Offered]) -> str:
    """With a patient, if the version used last was; else where it was used last."""
    there = [each.setting for each in offered if each.checklist == offered[0].checklist]
    return Setting.PATIENT if Setting.PATIENT in there else there[0]


def began_of(code: str) -> Began:
    """() for '', (2026,) for '2026', (2026, 1) for '2026-1'."""
    return tuple(int(part) for part in code.split("-")) if code else ()


def _cohorts(quarters: Sequence[Quarter]) -> list[tuple[str, str]]:
    """Each year, the last first, and below it its quarters."""
    found = []
    for year in sorted({each.year for each in quarters}, reverse=True):
        found.append((str(year), f"First observed in {year}"))
        found += [(each.code, f"{INSET}in {each.words}") for each in quarters if each.year == year]
    return found


def _words(began: Began) -> str:
    return Quarter(began[0], began[1]).words if len(began) > 1 else str(began[0])
