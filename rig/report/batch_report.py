"""The report of a batch as a page: its figures and tables, with everything in it."""

import math
from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from rig.drawing.svg import HATCHING, PATTERN
from rig.report.batch_figures import charts_svg, daily_svg, spread_svg, stack_svg
from rig.report.templates import template
from rig.report.words import moment
from rig.study import batch_words as words
from rig.study.batch_readings import Spread
from rig.study.batch_study import BatchStudy

#: Readings whose distribution is drawn, and rows of what failed; layout.
MOST_SPREADS, MOST_ROWS = 8, 30


def page(study: BatchStudy, problems: Sequence[str], made_at: str) -> str:
    """The page as HTML, with everything in it."""
    return template("batch.html").render(_shown(study, problems, made_at), hatching=Markup(HATCHING))


def body(study: BatchStudy, problems: Sequence[str], made_at: str) -> str:
    """What stands on the page, to stand on another one: HTML without its head, and without any style of its own."""
    hatching = Markup(f'<svg class="aside" width="0" height="0" aria-hidden="true">{PATTERN}</svg>')
    return template("batch_body.html").render(_shown(study, problems, made_at), hatching=hatching)


def _shown(study: BatchStudy, problems: Sequence[str], made_at: str) -> dict[str, Any]:
    ranked = words.worst_first(study.spreads)
    drawn = [one for one in ranked if one.index][:MOST_SPREADS]
    failures = study.failures
    failed = {
        "By check": (["check"], failures.checks),
        "By reading": (["check", "quantity", "of"], failures.readings),
        "By finding": (["part", "what is wrong"], failures.findings),
        "Void runs, by reason and bench": (["reason", "bench"], failures.void),
    }
    return {
        "study": study,
        "made_at": moment(made_at),
        "overview": words.overview(study),
        "remarks": [*problems, *words.remarks(study)],
        "failed": {title: (heads, rows[:MOST_ROWS], len(rows)) for title, (heads, rows) in failed.items() if rows},
        "causes": [(words.change_sentence(study, cause), charts_svg(study, cause)) for cause in study.causes],
        "odd": words.odd_sentences(study),
        "daily": daily_svg(study) if len(study.batch.units) else None,
        "rows": [_cells(one) for one in ranked],
        "spreads": [(_title(one), spread_svg(one)) for one in drawn],
        "stacks": [stack_svg(study, stack) for stack in study.stacks if len(study.batch.units) > 1],
        "enough": words.ENOUGH,
    }


def _title(one: Spread) -> str:
    assert one.index is not None
    return f"{words.reading_name(one.key, one.at_hz)}: Ppk {words.index_words(one.index.ppk)}"


def _cells(one: Spread) -> list[str]:
    known = one.known
    mean = words.figures(float(known.mean()), one.unit) if known.size else "–"
    sigma = words.figures(float(known.std(ddof=1)), "") if known.size > 1 else "–"
    index = one.index
    pp, ppk = (words.index_words(index.pp), words.index_words(index.ppk)) if index else ("–", "–")
    share = words.percent(one.rig_share) if math.isfinite(one.rig_share) else "–"
    numbers = [str(known.size), mean, sigma, words.limits_words(one), str(one.outside), pp, ppk, share]
    return [one.key[0], words.reading_name(one.key, one.at_hz), *numbers, words.normal_words(one)]
