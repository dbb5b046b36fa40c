"""Programmes and rule sets from their content: what is taken, what is refused, and with which words."""

from decimal import Decimal

import pytest

from audits.statistics.sequential import limit_for_run_length, run_length, score_weights
from credentials.rules import ruleset, terms
from credentials.rules.answers import Answer
from credentials.rules.reading import ContentError
from credentials.rules.terms import Terms
from ledger.canonical import canonical
from tests.rules.builders import a_set


class TestTerms:
    def test_an_empty_content_is_the_defaults_and_every_field_has_one_that_is_allowed(self):
        assert Terms.parse({}) == Terms()
        assert Terms.parse(Terms().to_content()) == Terms()
        defaults = {field.name: field.default for field in terms.FIELDS}
        assert defaults | {"counts_from": list(defaults["counts_from"])} == Terms().to_content()

    def test_content_goes_through_canonical_text_and_back(self):
        content = Terms(months=12, grace_gives=Answer.ALONE, nearby_counts=True).to_content()
        assert canonical(content)
        assert Terms.parse(content).grace_gives is Answer.ALONE

    @pytest.mark.parametrize(
        ("path", "value"),
        [
            ("months", 0), ("months", "24"), ("months", True), ("months", 12.0), ("insertions", -1),
            ("grace_days", 367), ("grace_gives", "perhaps"), ("lapsed_gives", "alone"), ("return_gives", "no"),
            ("nearby_counts", 1), ("monthes", 24),
        ],
    )  # fmt: skip
    def test_a_value_out_of_range_or_unknown_is_named_with_what_to_do(self, path, value):
        (wrong,) = terms.errors_in({path: value})
        assert wrong.path == path
        assert wrong.message

    def test_every_error_is_told_and_not_only_the_first(self):
        wrong = terms.errors_in({"months": 0, "grace_gives": "", "typo": 1})
        assert sorted(path for path, _ in wrong) == ["grace_gives", "months", "typo"]
        with pytest.raises(ContentError, match="months") as caught:
            Terms.parse({"months": 0})
        assert caught.value.errors[0].path == "months"

    @pytest.mark.parametrize("name", ["supervisors", "days", "successes"])
    def test_more_cannot_be_asked_of_the_insertions_than_there_are(self, name):
        (wrong,) = terms.errors_in({"insertions": 4, "supervisors": 1, "days": 1, name: 5})
        assert wrong == (name, "cannot be more than the 4 insertions asked")

    def test_provisional_months_cannot_outlast_the_award(self):
        assert terms.errors_in({"months": 6, "provisional_months": 6}) == []
        assert [wrong.path for wrong in terms.errors_in({"months": 6, "provisional_months": 7})] == [
            "provisional_months"
        ]


class TestRuleSets:
    def test_the_default_content_is_canonical_and_turns_every_rule_on(self):
        content = ruleset.default_content()
        assert canonical(content)
        rules = ruleset.RuleSet.parse(content, uuid="u", version=1, name="n")
        assert all(getattr(rules, rule) is not None for rule in ruleset.PARAMETERS)
        assert (rules.first_attempt_rate.minimum, rules.first_attempt_rate.months) == (20, 12)
        assert rules.first_attempt_rate.target == Decimal("0.80")
        assert (rules.drift.acceptable, rules.drift.unacceptable) == (Decimal("0.20"), Decimal("0.35"))
        assert rules.drift.limit == 4
        assert (rules.attempts_limit.punctures, rules.volume.insertions, rules.volume.days) == (2, 12, 365)
        assert rules.again_after == 10

    def test_a_rule_left_out_or_switched_off_is_off(self):
        rules = a_set(recency={"days": 90}, volume={"on": False})
        assert rules.recency.days == 90
        assert rules.volume is None
        assert rules.drift is None

    def test_a_rule_on_the_bare_rate_is_refused_with_its_false_alarm_figure(self):
        """'Point estimate below .80' flags .3222 (n = 10), .3930 (30), .4405 (100) of clinicians exactly on target
        (binomial sums, independent)."""
        shares = {
            trials: ruleset.bare_rate_false_alarm(target=Decimal("0.80"), minimum=trials) for trials in (10, 30, 100)
        }
        assert shares == pytest.approx({10: 0.3222, 30: 0.3930, 100: 0.4405}, abs=5e-5)
        wrong = ruleset.errors_in({"rules": {"first_attempt_rate": {"compare": "rate", "minimum": 30}}})
        assert [each.path for each in wrong] == ["rules.first_attempt_rate.compare"]
        assert "39%" in wrong[0].message
        assert ruleset.errors_in({"rules": {"first_attempt_rate": {"compare": "upper_bound"}}}) == []

    @pytest.mark.parametrize(
        ("rule", "name", "value"),
        [
            ("drift", "acceptable", 0.2), ("drift", "acceptable", "0"), ("drift", "acceptable", "1"),
            ("drift", "acceptable", "nan"), ("drift", "acceptable", "1e-1"), ("drift", "acceptable", "-0.2"),
            ("drift", "acceptable", "٠.٢"), ("drift", "unacceptable", "0.20"), ("first_attempt_rate", "target", "1.0"),
            ("first_attempt_rate", "minimum", 4), ("first_attempt_rate", "confidence", "0.5"),
            ("recency", "days", "183"), ("volume", "consequence", "suspend"), ("serious_event", "kinds", []),
            ("serious_event", "kinds", ["paper_cut"]), ("attempts_limit", "occasion", 1),
            ("expiry", "consequence", "review"), ("drift", "limits", "4.0"), ("recency", "reply_days", 0),
        ],
    )  # fmt: skip
    def test_a_parameter_out_of_range_or_unknown_is_named(self, rule, name, value):
        wrong = ruleset.errors_in({"rules": {rule: {name: value}}})
        assert [each.path for each in wrong] == [f"rules.{rule}.{name}"]

    def test_every_error_is_told_wherever_it_stands(self):
        wrong = ruleset.errors_in(
            {"again_after": 0, "more": 1, "rules": {"drift": {"acceptable": "2"}, "rota": {}, "recency": 7}}
        )
        assert sorted(each.path for each in wrong) == [
            "again_after", "more", "rules.drift.acceptable", "rules.recency", "rules.rota",
        ]  # fmt: skip
        assert [each.path for each in ruleset.errors_in({})] == ["rules"]
        with pytest.raises(ContentError):
            ruleset.RuleSet.parse({}, uuid="u", version=1, name="n")

    def test_kinds_of_event_come_in_one_order_whatever_was_ticked_first(self):
        rules = a_set(serious_event={"kinds": ["needlestick", "arterial_puncture"]})
        assert rules.serious_event.kinds == ("arterial_puncture", "needlestick")
        assert rules.serious_event.bits == 0b101


class TestLimit:
    def content(self, **drift):
        return {"rules": {"drift": drift, "recency": {}}}

    def test_the_limit_belongs_to_the_wanted_run_length_and_is_stored_as_digits(self):
        done = ruleset.with_limit(self.content(acceptable="0.10", unacceptable="0.20", run_length=600))
        limit = done["rules"]["drift"]["limit"]
        assert float(limit) == limit_for_run_length(0.10, 0.20, run_length=600)
        mean = run_length(0.10, weights=score_weights(0.10, 0.20), limit=float(limit)).mean
        assert mean >= 600
        assert ruleset.errors_in(done) == []
        assert done["rules"]["recency"] == {}

    def test_a_limit_with_the_same_run_length_is_left_as_it_is(self):
        """h = 4.0 for .20 against .35 has a run length of 1281.36 (exact chain, checked by simulation)."""
        content = ruleset.default_content()
        assert ruleset.with_limit(content) == content

    def test_a_limit_for_another_run_length_is_replaced(self):
        wrong = self.content(acceptable="0.20", unacceptable="0.35", run_length=427, limit="4.0")
        limit = float(ruleset.with_limit(wrong)["rules"]["drift"]["limit"])
        mean = run_length(0.20, weights=score_weights(0.20, 0.35), limit=limit).mean
        assert mean == pytest.approx(427.34, abs=0.01)  # of a limit of 3, same source

    def test_content_that_is_wrong_or_without_drift_comes_back_as_it_is(self):
        for content in ({"rules": {}}, self.content(acceptable="0.5", unacceptable="0.4"), self.content(on=False)):
            assert ruleset.with_limit(content) == content
