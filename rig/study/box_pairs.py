"""Which boxes make the best pairs: those whose levels lie together over frequency, and whose resonances do.

Two boxes differ by the root mean square of their levels' difference over the band that the mask judges, and by what
their woofers' resonances make of the level below them: a closed box falls with 40 dB a decade there, so that resonances
that differ by 1 % differ by 0.17 dB. Both are decibels, and are added as squares. Pairs are chosen so that the sum over
all is the least (a matching of least weight), with as few boxes left over as there can be.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy

from rig.design.kit import Kit
from rig.files.errors import RecordError, TableError
from rig.store.index import Tell
from rig.store.selection import Selection
from rig.study import tables
from rig.study.batch import Batch, batch, is_of, units_of
from rig.study.batch_curves import Stack, stacks
from rig.values.names import counted
from rig.values.readings import Floats

if TYPE_CHECKING:
    import pandas as pd

#: Of two resonances, decibels below them by a decade of their ratio: a closed box of second order; R. H. Small,
#: "Closed-box loudspeaker systems", Journal of the Audio Engineering Society 20 (1972).
DB_PER_DECADE = 40.0
#: Random pairings that are drawn, of which the mean and the middle of the worst pairs are told; numerical.
DRAWN = 500
#: With more boxes each is tried with so many that are nearest to it, or a matching takes minutes; numerical.
MOST_BOXES, NEAREST = 150, 40
#: So many boxes that are left over are named in a sentence; layout.
MOST_NAMES = 12


@dataclass(frozen=True)
class Box:
    """One box of a unit that passed."""

    serial: str
    channel: str
    bench: str


@dataclass(frozen=True)
class Pair:
    """Two boxes, and how far they differ."""

    one: Box
    other: Box
    level_db: float
    #: Relative; NaN: no resonance was read.
    fs_percent: float
    #: Both together.
    total_db: float


@dataclass(frozen=True, eq=False)
class Pairs:
    """What a matching found."""

    curve: str
    pairs: tuple[Pair, ...]
    #: Boxes that stay alone.
    left_over: tuple[Box, ...]
    #: Units that are not paired, each with why.
    left_out: tuple[str, ...]
    #: Mean over a pairing, and its worst pair, dB: as chosen; of random pairings (mean; median of the worst); of the
    #: boxes as they are together now, NaN for boxes of one channel.
    chosen_db: tuple[float, float]
    random_db: tuple[float, float]
    built_db: tuple[float, float]
    #: Whether not every pair could be tried, there being so many.
    is_thinned: bool


def box_pairs(workspace: Path, kit: Kit, selection: Selection, most_db: float, tell: Tell) -> Pairs:
    """Pair the boxes of units that passed in the end, by their newest runs.

    Parameters
    ----------
    workspace, selection, tell
        As of `batch.batch`.
    kit
        Its channels must be alike: one, then any two boxes may pair; or two, then a box of each makes a pair.
    most_db
        No pair differs by more than this; infinite: any may.

    Raises
    ------
    TableError
        If the kit's boxes are none to pair.
    RecordError
        If fewer than two boxes can be paired.
    """
    channels = alike(kit)
    of = batch(workspace, selection, tell)
    runs, left_out = newest_passed(of)
    if len(runs) < 2:
        raise RecordError(f"{len(runs)} of {len(left_out) + len(runs)} units passed in the end; allowed: 2 or more")
    readings = tables.readings(workspace, of.selection, tell)
    readings = readings[is_of(readings, runs)]
    key = _curve_of(readings, channels[0])
    stacked = stacks(workspace, runs, [(*key, channel) for channel in channels], tell)
    boxes, levels, resonances = _boxes(runs, stacked, _resonances(readings, kit))
    if len(boxes) < 2:
        raise RecordError(f"{len(boxes)} boxes of units that passed have the curve {' '.join(key)}; allowed: 2 or more")
    level, fs_db = differences(levels, resonances)
    total = np.hypot(level, np.nan_to_num(fs_db))
    allowed = np.array([[may_pair(one, other, channels) for other in boxes] for one in boxes])
    sides = [box.channel for box in boxes]
    if len(set(sides)) < len(channels):
        raise RecordError(f"no box of {', '.join(sorted(set(channels) - set(sides)))} passed; a pair needs one of each")
    chosen, is_thinned = matched(np.where(allowed & (total <= most_db), total, np.inf), sides)
    pairs = tuple(
        Pair(boxes[a], boxes[b], float(level[a, b]), _percent(resonances, a, b), float(total[a, b])) for a, b in chosen
    )
    paired = {place for pair in chosen for place in pair}
    left_over = tuple(box for place, box in enumerate(boxes) if place not in paired)
    built = [(a, b) for a in range(len(boxes)) for b in range(a) if boxes[a].serial == boxes[b].serial]
    ranked = tuple(sorted(pairs, key=lambda pair: pair.total_db))
    middles = (_mean_and_worst(total, chosen), random_pairs(total, sides), _mean_and_worst(total, built))
    return Pairs(f"{key[1]} ({key[0]})", ranked, left_over, tuple(left_out), *middles, is_thinned)


def alike(kit: Kit) -> list[str]:
    """The channels whose boxes may stand side by side.

    Raises
    ------
    TableError
        If the kit's channels are neither one nor two alike.
    """
    names = [channel.name for channel in kit.channels]
    first = kit.channels[0]
    is_alike = all(_plain(channel) == _plain(first) for channel in kit.channels)
    if len(names) > 2 or not is_alike:
        raise TableError(
            f"{kit.name}: found channels {', '.join(names)}; allowed: one box a unit, or two that are alike"
        )
    return names


def _plain(channel: Any) -> Any:
    """What a channel is, without its name and where it stands."""
    return channel.model_dump(exclude={"name", "like", "place_m"})


def newest_passed(of: Batch) -> tuple["pd.DataFrame", list[str]]:
    """The newest valid run of each unit that passed in the end, a row each; and the others in words."""
    valid = of.runs[of.runs["outcome"] != "void"].sort_values("run_number")
    last = valid.drop_duplicates("serial", keep="last")
    failed = last[last["outcome"] != "pass"]
    left_out = [f"{serial}: its newest valid run failed" for serial in sorted(failed["serial"])]
    left_out += [f"{serial}: no valid run" for serial in of.unproved]
    return units_of(last[last["outcome"] == "pass"]), left_out


def _curve_of(readings: "pd.DataFrame", channel: str) -> tuple[str, str]:
    """The judged level that boxes are paired by: check and quantity; of several the last of the check `response`."""
    curves = readings[(readings["kind"] == "curve") & (readings["subject"] == channel)]
    levels = curves[curves["unit"].astype(str).str.startswith("dB SPL") & curves["outcome"].notna()]
    found = list(dict.fromkeys(zip(levels["check"], levels["quantity"], strict=True)))
    on_axis = [one for one in found if one[0] == "response"] or found
    if not on_axis:
        raise RecordError(f"no judged curve of a level of {channel} in these runs, by which boxes could be paired")
    return on_axis[-1]


def _resonances(readings: "pd.DataFrame", kit: Kit) -> dict[tuple[str, str], float]:
    """Serial and channel -> resonance of the lowest driver, Hz."""
    drivers = {
        channel.name: min(channel.drivers, key=lambda driver: driver.fs_hz or math.inf).name for channel in kit.channels
    }
    lowest = {f"{channel} {driver}" for channel, driver in drivers.items()}
    fs = readings[(readings["quantity"] == "fs") & readings["subject"].isin(lowest)]
    found = zip(fs["serial"], fs["subject"].astype(str), fs["value"], strict=True)
    return {(serial, subject.split(" ")[0]): float(value) for serial, subject, value in found}


def _boxes(
    runs: "pd.DataFrame", stacked: Sequence[Stack], fs: dict[tuple[str, str], float]
) -> tuple[list[Box], Floats, Floats]:
    """Boxes with a whole curve: their levels as measured, shape (boxes, n), and resonances, shape (boxes,)."""
    boxes, levels, resonances = [], [], []
    grid = stacked[0].frequency_hz if stacked else np.empty(0)
    for stack in stacked:
        for place, unit in enumerate(runs.itertuples()):
            # Pairs must be as loud as each other, so the shift that the limit takes out counts here.
            level = np.interp(grid, stack.frequency_hz, stack.values[place] + stack.shift_db[place])
            if np.isfinite(level).all():
                boxes.append(Box(str(unit.serial), stack.key[2], str(unit.bench)))
                levels.append(level)
                resonances.append(fs.get((str(unit.serial), stack.key[2]), math.nan))
    return boxes, np.array(levels), np.array(resonances)


def differences(levels: Floats, resonances: Floats) -> tuple[Floats, Floats]:
    """How far each two boxes differ, dB: in level (root mean square over frequency) and by resonance, shape (n, n)."""
    square = np.sum(levels**2, axis=1)
    mean = (square[:, np.newaxis] + square - 2 * levels @ levels.T) / levels.shape[1]
    log = np.log10(resonances)
    return np.sqrt(np.maximum(mean, 0.0)), DB_PER_DECADE * np.abs(log[:, np.newaxis] - log)


def may_pair(one: Box, other: Box, channels: Sequence[str]) -> bool:
    """Whether two boxes make a pair: of two channels one of each, of one any two."""
    return one != other and (len(channels) == 1 or one.channel != other.channel)


def matched(weight: Floats, sides: Sequence[str]) -> tuple[list[tuple[int, int]], bool]:
    """The pairs of least total weight among the most that there can be; and whether not every pair was tried.

    Parameters
    ----------
    weight : shape (n, n), symmetric; infinite: no pair
    sides
        The channel of each box: of one channel any two may pair, of two one of each.

    References
    ----------
    J. Edmonds, "Paths, trees, and flowers", Canadian Journal of Mathematics 17 (1965); H. W. Kuhn, "The Hungarian
    method for the assignment problem", Naval Research Logistics Quarterly 2 (1955).
    """
    names = sorted(set(sides))
    if len(names) == 2:
        one, other = (np.flatnonzero(np.array(sides) == name) for name in names)
        costs = weight[np.ix_(one, other)]
        # No pair at all costs more than all pairs together, so that as many as can be are made.
        none = 1.0 + float(np.sum(costs[np.isfinite(costs)]))
        rows, columns = scipy.optimize.linear_sum_assignment(np.where(np.isfinite(costs), costs, none))
        found = [(int(one[a]), int(other[b])) for a, b in zip(rows, columns, strict=True) if np.isfinite(costs[a, b])]
        return sorted((min(pair), max(pair)) for pair in found), False
    import networkx

    count = len(weight)
    is_thinned = count > MOST_BOXES
    nearest = np.argsort(weight, axis=1)[:, : NEAREST if is_thinned else count]
    edges = {(min(a, int(b)), max(a, int(b))) for a in range(count) for b in nearest[a] if np.isfinite(weight[a, b])}
    graph = networkx.Graph()
    graph.add_weighted_edges_from((a, b, float(weight[a, b])) for a, b in sorted(edges) if a != b)
    return sorted((min(pair), max(pair)) for pair in networkx.min_weight_matching(graph)), is_thinned


def random_pairs(total: Floats, sides: Sequence[str]) -> tuple[float, float]:
    """What pairs differ by that are made by chance: mean, and the median over pairings of the worst pair, dB."""
    dice = np.random.default_rng(0)
    groups = [np.flatnonzero(np.array(sides) == name) for name in sorted(set(sides))]
    means, worsts = [], []
    for _ in range(DRAWN):
        mixed = [dice.permutation(group) for group in groups]
        half = len(mixed[0]) // 2
        one, other = mixed if len(mixed) == 2 else (mixed[0][:half], mixed[0][half : 2 * half])
        count = min(len(one), len(other))
        found = total[one[:count], other[:count]]
        means.append(float(np.mean(found)))
        worsts.append(float(np.max(found)))
    return float(np.mean(means)), float(np.median(worsts))


def _percent(resonances: Floats, a: int, b: int) -> float:
    return float(100 * abs(math.log(resonances[a] / resonances[b])))


def _mean_and_worst(total: Floats, pairs: Sequence[tuple[int, int]]) -> tuple[float, float]:
    found = [float(total[pair]) for pair in pairs]
    return (float(np.mean(found)), max(found)) if found else (math.nan, math.nan)


def sentences(found: Pairs) -> list[str]:
    """What the pairing gains, and what is left over."""
    by = f"by {found.curve} and fs"
    count = counted(len(found.pairs), "pair")
    said = [f"{count} {by}: {_pairing(found.chosen_db)}" if found.pairs else f"no two boxes are near enough {by}"]
    said.append(f"random pairs: {_pairing(found.random_db)}")
    if math.isfinite(found.built_db[0]):
        said.append(f"as they are together now: {_pairing(found.built_db)}")
    if found.left_over:
        names = [name_of(box, found) for box in found.left_over]
        more = f" and {len(names) - MOST_NAMES} more, which --csv lists" if len(names) > MOST_NAMES else ""
        said.append(f"left over, {len(names)}: {', '.join(names[:MOST_NAMES])}{more}")
    if found.is_thinned:
        said.append(f"so many boxes: each was tried with the {NEAREST} nearest to it alone")
    benches = sorted({box.bench for pair in found.pairs for box in (pair.one, pair.other)})
    if len(benches) > 1:
        said.append(f"measured on {', '.join(benches)}: what the benches differ by counts as a difference of boxes")
    return said


def _pairing(mean_and_worst: tuple[float, float]) -> str:
    return f"{mean_and_worst[0]:.2f} dB apart in the mean, the worst {mean_and_worst[1]:.2f} dB"


def name_of(box: Box, found: Pairs) -> str:
    """A box by its serial, and its channel where there are two."""
    boxes = (*(box for pair in found.pairs for box in (pair.one, pair.other)), *found.left_over)
    of_two = len({one.channel for one in boxes}) > 1
    return f"{box.serial} {box.channel}" if of_two else box.serial


def table_of(found: Pairs) -> "pd.DataFrame":
    """The pairs as a table, best first; then what is left over."""
    import pandas as pd

    columns = ["one", "one_channel", "other", "other_channel", "total_db", "level_db", "fs_percent"]
    rows = [
        (p.one.serial, p.one.channel, p.other.serial, p.other.channel, p.total_db, p.level_db, p.fs_percent)
        for p in found.pairs
    ]
    alone = [(box.serial, box.channel, "", "", math.nan, math.nan, math.nan) for box in found.left_over]
    return pd.DataFrame([*rows, *alone], columns=columns)
