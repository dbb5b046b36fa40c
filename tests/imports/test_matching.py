"""Which row is which entry of an earlier sheet: by what it says, then by its key, then by what is gone. Pure."""

from uuid import NAMESPACE_URL, UUID, uuid5

from hypothesis import given
from hypothesis import strategies as st

from audits.sheet_matching import Match, Pool, Stored, Wanted, base_of, key_of, match

REGISTER = UUID("6f1c1f6e-0000-4000-8000-000000000001")
POOL = (1, 737_000)


def row(said: str, *, at: str = "10:00", unit: int = 1, pool: Pool = POOL) -> Wanted:
    base = base_of(staff_number="004512", procedure="ADULT", day=f"day {pool[1]}", time=at)
    return Wanted(pool, base, unit, said.encode())


def stored(said: str, *, at: str = "10:00", ordinal: int = 0, unit: int = 1, withdrawn: bool = False) -> Stored:
    return Stored(key_of(REGISTER, row("", at=at).base, ordinal), unit, {said.encode()}, withdrawn)


def matched(rows: list[Wanted], known: list[Stored], *, alike: bool = False) -> list[tuple[Match, UUID]]:
    return match(rows, {POOL: known}, register=REGISTER, alike=lambda place, uuid: alike)


def test_a_key_is_a_name_based_uuid_of_version_5_in_the_register() -> None:
    """RFC 9562, section 5.5: the name's digest within a namespace; here number, procedure, day, time, ordinal."""
    text = "004512\x1fADULT\x1f2026-02-10\x1f10:00\x1f0"
    base = base_of(staff_number="004512", procedure="ADULT", day="2026-02-10", time="10:00")
    assert key_of(REGISTER, base, 0) == uuid5(REGISTER, text)
    assert key_of(REGISTER, base, 0).version == 5
    assert key_of(NAMESPACE_URL, base, 0) != key_of(REGISTER, base, 0)


def test_what_is_said_again_is_there_already_wherever_it_stands() -> None:
    known = [stored("a", at=""), stored("b", at="", ordinal=1)]
    found = matched([row("b", at=""), row("a", at="")], known)
    assert found == [(Match.ALREADY, known[1].uuid), (Match.ALREADY, known[0].uuid)]


def test_a_row_with_the_key_of_another_content_is_a_change() -> None:
    known = [stored("a")]
    assert matched([row("b")], known) == [(Match.CHANGED, known[0].uuid)]


def test_of_equal_rows_each_takes_one_and_the_rest_are_new() -> None:
    known = [stored("a", at="")]
    found = matched([row("a", at=""), row("a", at=""), row("a", at="")], known)
    assert [kind for kind, _ in found] == [Match.ALREADY, Match.NEW, Match.NEW]
    assert [uuid for _, uuid in found] == [key_of(REGISTER, row("", at="").base, ordinal) for ordinal in (0, 1, 2)]


def test_without_times_a_changed_row_is_told_by_the_order_of_the_file() -> None:
    known = [stored("a", at=""), stored("b", at="", ordinal=1), stored("c", at="", ordinal=2)]
    found = matched([row("a", at=""), row("changed", at=""), row("c", at=""), row("d", at="")], known)
    assert [kind for kind, _ in found] == [Match.ALREADY, Match.CHANGED, Match.ALREADY, Match.NEW]
    assert found[1][1] == known[1].uuid


def test_what_is_gone_is_offered_to_a_new_row_that_is_nearly_the_same() -> None:
    known = [stored("a", at="10:00")]
    assert matched([row("a later", at="11:00")], known, alike=True) == [(Match.CHANGED, known[0].uuid)]
    assert matched([row("a later", at="11:00")], known, alike=False)[0][0] == Match.NEW


def test_an_entry_of_another_unit_is_not_gone_with_a_sheet_that_never_had_it() -> None:
    assert matched([row("x", at="11:00", unit=2)], [stored("a", unit=1)], alike=True)[0][0] == Match.NEW


def test_an_entry_that_was_withdrawn_is_neither_changed_nor_missed_but_still_known() -> None:
    gone = stored("a", withdrawn=True)
    assert matched([row("a")], [gone]) == [(Match.ALREADY, gone.uuid)]
    kind, uuid = matched([row("b")], [gone], alike=True)[0]
    assert (kind, uuid) == (Match.NEW, key_of(REGISTER, row("").base, 1))


def test_people_and_days_are_never_mixed() -> None:
    known = [stored("a")]
    found = match([row("a", pool=(2, 737_000))], {POOL: known}, register=REGISTER, alike=lambda place, uuid: True)
    assert found[0][0] == Match.NEW


SAID = st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(["", "10:00", "11:00"])), max_size=8)


@given(SAID, st.randoms(use_true_random=False))
def test_an_import_in_any_order_is_there_already_the_next_time(said: list[tuple[str, str]], chance: object) -> None:
    first = [row(what, at=at) for what, at in said]
    new = matched(first, [])
    assert {kind for kind, _ in new} <= {Match.NEW}
    assert len({uuid for _, uuid in new}) == len(new)
    known = [Stored(uuid, 1, {each.digest}) for each, (_, uuid) in zip(first, new, strict=True)]
    again = list(first)
    chance.shuffle(again)  # type: ignore[attr-defined]
    found = matched(again, known)
    assert {kind for kind, _ in found} <= {Match.ALREADY}
    assert sorted(uuid for _, uuid in found) == sorted(uuid for _, uuid in new)


@given(SAID, SAID)
def test_every_row_becomes_exactly_one_thing(before: list[tuple[str, str]], after: list[tuple[str, str]]) -> None:
    """No two rows are the same entry, and as many are there already as both sheets have in common."""
    first = [row(what, at=at) for what, at in before]
    known = [Stored(uuid, 1, {each.digest}) for each, (_, uuid) in zip(first, matched(first, []), strict=True)]
    found = matched([row(what, at=at) for what, at in after], known)
    assert len({uuid for _, uuid in found}) == len(after)
    texts = [what for what, _ in before]
    common = sum(min(texts.count(letter), [what for what, _ in after].count(letter)) for letter in "abc")
    assert sum(kind == Match.ALREADY for kind, _ in found) == common
    stored_keys = {each.uuid for each in known}
    assert all((uuid in stored_keys) == (kind != Match.NEW) for kind, uuid in found)
