"""The questions about one attempt, as forms ask them: the first in tiles, further ones short."""

from collections.abc import Iterable, Mapping
from typing import Any

from django import forms

from audits.entry import AttemptMade
from audits.vocabulary import (
    ATTEMPT_RESULTS,
    GAUGES,
    NOT_RECORDED,
    REASONS,
    REASONS_FOR_ATTEMPT,
    SIDES,
    SITES,
    TECHNIQUES,
)
from people.fields import Form

NOT_SAID = "?"
RARE_SITES = ("foot", "leg", "scalp", "neck", "other")
ORDINALS = ("First", "Second", "Third", "Fourth", "Fifth", "Sixth")


def choices(terms: Mapping[str, Any], codes: Iterable[str] | None = None) -> list[tuple[str, str]]:
    return [(code, terms[code].words) for code in (terms if codes is None else codes)]


class AttemptForm(Form):
    """One attempt. The first is asked in tiles; of a further one, what is left empty is as at the attempt before."""

    site = forms.ChoiceField(label="Site", choices=choices(SITES), widget=forms.RadioSelect, required=False)
    gauge = forms.ChoiceField(
        label="Gauge", choices=[(str(each), str(each)) for each in GAUGES], widget=forms.RadioSelect, required=False
    )
    side = forms.ChoiceField(label="Side", choices=choices(SIDES), widget=forms.RadioSelect, required=False)
    technique = forms.ChoiceField(label="Technique", choices=choices(TECHNIQUES), required=False)
    result = forms.ChoiceField(
        label="How the first attempt ended",
        choices=choices(ATTEMPT_RESULTS, ("failed", "stopped", "taken_over")),
        widget=forms.RadioSelect,
        required=False,
    )
    reason = forms.ChoiceField(
        label="Why", choices=[("", "Choose a reason"), *choices(REASONS, REASONS_FOR_ATTEMPT)], required=False
    )

    def __init__(self, *args: Any, place: int, from_sheet: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, prefix=f"a{place}", **kwargs)
        self.place = place
        if place:
            self._ask_as_further(from_sheet)

    def _ask_as_further(self, from_sheet: bool) -> None:
        # A sheet may not tell; of a form's attempt an empty answer means the one before.
        unsaid = [(NOT_SAID, "Not recorded")] if from_sheet else []
        before = ("", "As before")
        gauges = [(str(each), gauge.words) for each, gauge in GAUGES.items()]
        self.fields["result"] = forms.ChoiceField(
            label="How it ended", choices=[("", "No such attempt"), *choices(ATTEMPT_RESULTS)], required=False
        )
        self.fields["site"] = forms.ChoiceField(
            label="Site", choices=[before, *choices(SITES), *unsaid], required=False
        )
        self.fields["gauge"] = forms.ChoiceField(label="Gauge", choices=[before, *gauges, *unsaid], required=False)
        self.fields["side"] = forms.ChoiceField(label="Side", choices=[before, *choices(SIDES)], required=False)
        self.fields["technique"] = forms.ChoiceField(
            label="Technique", choices=[before, *choices(TECHNIQUES)], required=False
        )
        self.order_fields(["result", "reason", "site", "gauge", "side", "technique"])

    @property
    def name(self) -> str:
        """Second attempt, Attempt 7."""
        return f"{ORDINALS[self.place]} attempt" if self.place < len(ORDINALS) else f"Attempt {self.place + 1}"

    @property
    def sites(self) -> list[Any]:
        """The tiles of the places that are punctured every day."""
        return [tile for tile in self["site"].subwidgets if tile.data["value"] not in RARE_SITES]

    @property
    def rare_sites(self) -> list[Any]:
        return [tile for tile in self["site"].subwidgets if tile.data["value"] in RARE_SITES]

    @property
    def is_rare(self) -> bool:
        """Whether one of the rare places is chosen, so that they must not be folded away."""
        return self["site"].value() in RARE_SITES

    def attempt(self, before: AttemptMade | None, *, result: str = "") -> AttemptMade:
        """The attempt; `result` stands where the first question told it already."""
        said = self.cleaned_data

        def value(name: str, otherwise: Any) -> Any:
            return said[name] or (getattr(before, name) if before else otherwise)

        site, gauge = value("site", ""), value("gauge", NOT_RECORDED)
        return AttemptMade(
            site="" if site == NOT_SAID else site,
            gauge=NOT_RECORDED if gauge == NOT_SAID else int(gauge),
            result=result or said["result"],
            side=value("side", ""),
            technique=value("technique", "landmark"),
            reason="" if result else said["reason"],
        )


def said_of(attempt: AttemptMade, from_sheet: bool) -> dict[str, Any]:
    unsaid = NOT_SAID if from_sheet else ""
    return {
        "site": attempt.site or unsaid,
        "gauge": str(attempt.gauge) if attempt.gauge else unsaid,
        "side": attempt.side,
        "technique": attempt.technique,
        "result": attempt.result,
        "reason": attempt.reason,
    }
