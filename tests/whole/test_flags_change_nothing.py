"""No answer changes because a flag was raised: whoever is limited, is limited by a decision that a person signed."""

import ast
import random
from pathlib import Path

import pytest

from audits.models import Restriction
from credentials import review, standings
from credentials.models import Flag
from ledger import clock
from ledger.models import Act
from tests.whole.world import BEGUN, Walk, make_world

ROOT = Path(__file__).parents[2]
LIMITING = {"add_restriction", "end_award", "end_restriction"}
STEPS = (*("log", "log_and_sign", "fail_again_and_again") * 4, "observe", "time_passes", "log", "time_passes")

pytestmark = pytest.mark.std("B-45")


@pytest.mark.django_db
@pytest.mark.parametrize("seed", range(3))
def test_after_any_walk_raising_flags_changes_no_answer_and_limits_nobody(seed):
    with clock.at(BEGUN):
        walk = Walk(make_world(), random.Random(seed))
    for verb in STEPS:
        walk.step(verb)
    with clock.at(walk.now):
        before = {pair: each.body for pair, each in standings.judge_many(walk.pairs()).items()}
        limits = set(Restriction.objects.values_list("pk", flat=True))
        last = Act.objects.latest("seq").seq
        raised = review.review_today().flags_raised
        assert raised == Flag.objects.count() > 0
        review.daily()
        assert {pair: each.body for pair, each in standings.judge_many(walk.pairs()).items()} == before
        assert set(Restriction.objects.values_list("pk", flat=True)) == limits
        assert set(Act.objects.filter(seq__gt=last).values_list("kind", "actor")) == {("flag.raised", None)}


def test_whatever_limits_somebody_is_called_where_a_signer_is_asked_for():
    """Or inside the act of somebody (`rec`), which such a function began."""
    signed = set()
    for path, function in _functions():
        if not _called(function) & LIMITING:
            continue
        asked = _asked(function)
        assert asked & {"signer", "rec"}, f"{path.name}: {function.name} limits somebody without a signature"
        assert path.name not in {"flags.py", "review.py", "flagging.py", "standings.py"}
        if "signer" in asked:
            signed.add(path.name)
    assert "restricting.py" in signed


def _functions() -> list[tuple[Path, ast.FunctionDef]]:
    paths = sorted(
        each for app in ("audits", "credentials", "people", "config") for each in ROOT.glob(f"{app}/**/*.py")
    )
    trees = [(path, ast.parse(path.read_text())) for path in paths if "migrations" not in path.parts]
    return [(path, each) for path, tree in trees for each in ast.walk(tree) if isinstance(each, ast.FunctionDef)]


def _called(function: ast.FunctionDef) -> set[str]:
    calls = [each.func for each in ast.walk(function) if isinstance(each, ast.Call)]
    return {each.id if isinstance(each, ast.Name) else getattr(each, "attr", "") for each in calls}


def _asked(function: ast.FunctionDef) -> set[str]:
    return {each.arg for each in (*function.args.args, *function.args.kwonlyargs)}
