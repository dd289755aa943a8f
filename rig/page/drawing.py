"""The pages as HTML, from templates and the view; every text is escaped."""

from functools import cache
from pathlib import Path
from urllib.parse import quote

from jinja2 import Environment

from rig.bench.settings import BenchSettings
from rig.page.scans import CODES
from rig.page.view import View
from rig.report import words
from rig.report.languages import translating
from rig.report.templates import environment
from rig.values.requests import AT_LEADS


@cache
def templates(language: str) -> Environment:
    """The templates, which say their own words in a language."""
    say = translating(language)
    found = environment(Path(__file__).parent / "templates", ["jinja2.ext.i18n"])
    found.install_gettext_callables(say, _no_plural, newstyle=True)  # type: ignore[attr-defined]
    found.globals |= {"language": language}
    found.filters |= {
        "translated": say,
        "moment": words.moment,
        "word": words.VERDICT_WORDS.__getitem__,
        "segment": lambda text: quote(str(text), safe=""),
    }
    found.globals |= {"codes": {action: code for code, action in CODES.items()}}
    return found


def _no_plural(one: str, many: str, count: int) -> str:
    raise NotImplementedError("words that hang on a number are written as two sentences")


def page(name: str, language: str, **values: object) -> str:
    """A page by the name of its template, in a language, with what that shows."""
    return templates(language).get_template(name).render(**values)


def bench_fragment(view: View, language: str, window: str, settings: BenchSettings | None) -> str:
    """What a window at the bench shows of a view."""
    return page(
        "bench_view.html",
        language,
        view=view,
        is_answering=view.answering == window,
        wiring=wiring_of(view.stage, settings),
        is_simulated=settings is None or settings.kind == "simulated",
    )


def wiring_of(stage: str, settings: BenchSettings | None) -> str:
    """Name of the figure of a stage's wiring; empty where there is no stage."""
    if stage in AT_LEADS:
        leads = settings.leads if settings else None
        return f"leads-{leads.sense_in if leads else 'return'}"
    return stage
