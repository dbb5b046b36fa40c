"""Counts that name nobody: cells of few people are put together until enough of them are in one block. Pure.

A cell is what was counted at one unit, in one quarter, of people who began in one quarter. A block is a set of whole
cells of one quarter that together rest on enough people. Cells of no block are shown nowhere and are in no total. So
whatever is shown, for any unit, span of quarters or cohort, is a sum of whole blocks: adding and subtracting what is
shown gives sums and differences of blocks, and never what a part of a block alone counts. Hiding a small cell beside a
total that holds it would not do: whoever sees the total and the other cells works it out (complementary suppression,
as in Willenborg and de Waal (2001), Elements of Statistical Disclosure Control, chapter 1; from memory).
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from audits.quarters import Quarter

Began = tuple[int, ...]
"""What a block's people have in common: (year, quarter) or (year,) in which they began, or () for nothing."""


@dataclass(frozen=True, slots=True)
class Cell:
    """What was counted of these people; `counts` are whole numbers, of one meaning and order for all cells."""

    unit: int
    quarter: Quarter
    began: Quarter
    people: frozenset[int]
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Block:
    """Cells put together. `unit` is the lowest that has all of them below it."""

    unit: int
    quarter: Quarter
    began: Began
    cells: tuple[Cell, ...]

    @property
    def counts(self) -> tuple[int, ...]:
        return tuple(map(sum, zip(*(cell.counts for cell in self.cells), strict=True)))


@dataclass(frozen=True, slots=True)
class Blocks:
    """All blocks, and the quarters and units of cells that are in none."""

    blocks: tuple[Block, ...]
    left: tuple[Cell, ...]


# First people who began in the same quarter, then in the same year, then anybody.
_ALIKE: Sequence[Callable[[Cell], Began]] = (
    lambda cell: (cell.began.year, cell.began.number),
    lambda cell: (cell.began.year,),
    lambda cell: (),
)


def put_together(
    cells: Iterable[Cell], *, above: Callable[[int], Sequence[int]], least: Mapping[int, int], top: int
) -> Blocks:
    """Blocks of at least so many people each, as low in the tree as they can be.

    Parameters
    ----------
    cells : each at `top` or a unit below it
    above : unit -> itself first, then its parent, to the root
    least : unit of a cell -> fewest people of whom its counts may be shown; a block follows the strictest of its cells
    top : the unit for which it is asked

    Returns
    -------
    Blocks. Those at or below a unit depend on nothing outside it, so they are the same whoever asks, at whatever top.
    """
    waiting: dict[int, dict[Quarter, list[Cell]]] = defaultdict(lambda: defaultdict(list))
    chains: dict[int, Sequence[int]] = {}
    for cell in cells:
        if cell.unit not in chains:
            chain = above(cell.unit)
            if top not in chain:
                raise ValueError(f"unit {cell.unit} does not lie below unit {top}")
            chains[cell.unit] = chain[: chain.index(top) + 1]
        waiting[cell.unit][cell.quarter].append(cell)
    depth = {unit: len(chain) - place for chain in chains.values() for place, unit in enumerate(chain)}
    parent = {below: unit for chain in chains.values() for below, unit in pairwise(chain)}
    blocks: list[Block] = []
    left: list[Cell] = []
    # The deepest first; what a unit leaves over waits at the unit above it.
    for unit in sorted(depth, key=lambda each: (-depth[each], each)):
        for quarter, there in sorted(waiting[unit].items()):
            closed, rest = _closed(unit, quarter, there, least)
            blocks += closed
            if unit in parent:
                waiting[parent[unit]][quarter] += rest
            else:
                left += rest
    return Blocks(tuple(blocks), tuple(left))


def _closed(unit: int, quarter: Quarter, cells: list[Cell], least: Mapping[int, int]) -> tuple[list[Block], list[Cell]]:
    """The blocks that close at this unit, and the cells left over."""
    blocks = []
    for alike in _ALIKE:
        groups: dict[Began, list[Cell]] = defaultdict(list)
        for cell in cells:
            groups[alike(cell)].append(cell)
        cells = []
        for began, group in sorted(groups.items()):
            people = frozenset().union(*(cell.people for cell in group))
            if len(people) >= max(least[cell.unit] for cell in group):
                blocks.append(Block(unit, quarter, began, tuple(group)))
            else:
                cells += group
    return blocks, cells
