"""All records of a small store at once, for tests: commands read those of one unit at a time."""

from collections.abc import Collection
from itertools import accumulate
from pathlib import Path

from rig.store.records import readable
from rig.store.run_json import Record


def all_records(
    workspace: Path, kit: str = "", serials: Collection[str] | None = None
) -> tuple[list[Record], list[str]]:
    """Records of a workspace, oldest first, of one kit and of some units where given, and what could not be read.

    Of two records of one unit the one with the lower number is the older, whatever the clock said.
    """
    homes = sorted((workspace / "results").glob("[!.]*/[!.]*"))
    wanted = [home for home in homes if kit in ("", home.parent.name) and (serials is None or home.name in serials)]
    pairs = [readable(home) for home in wanted if home.is_dir()]
    dated = []
    for records, _ in pairs:
        # A run has at least the date of the one before it, however far back the clock leapt.
        dates = accumulate((record.run for record in records), max)
        dated += list(zip(dates, records, strict=True))
    problems = [words for _, odd in pairs for words in odd]
    return [record for _, record in sorted(dated, key=lambda pair: pair[0])], problems
