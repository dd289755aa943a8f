"""The paper of a record: a report for the workshop and a page for the owner, from what is on the disk alone.

So both can be made again at any time. A record that was closed with paper in it keeps that: new paper stands beside it.
"""

from pathlib import Path

from rig.files.disk import where_and_why, write
from rig.files.errors import PaperError, RecordError
from rig.store.records import read_record
from rig.store.run_json import Record

#: The report, and the one page that goes with the unit.
REPORT, PAGE = "report.html", "certificate.pdf"
#: What the report was once called, newest first.
FORMER = ("certificate-again.html", "certificate.html")


def make_certificate(record: Record) -> Path:
    """Read a record back, write its report and its page beside run.json, and return the page's path.

    Raises
    ------
    PaperError
        If one cannot be made, saying why.
    """
    from rig.report.certificate import certificate
    from rig.report.customer_page import write_customer_page
    from rig.store.recorded import read_run, recorded_kit

    try:
        record = read_record(record.folder)
        kit = recorded_kit(record)
        run = read_run(record, kit)
        report = certificate(record, run, kit)
        write(record.folder / REPORT, report.encode("utf-8", "replace"))
        write_customer_page(record.folder / PAGE, record, run, kit)
    except (RecordError, OSError) as error:
        raise PaperError(f"no certificate could be made: {where_and_why(error)}") from error
    except (Exception, KeyboardInterrupt) as error:
        # Whatever a drawing runs into is a trouble of the paper, never of the record.
        raise PaperError(f"no certificate could be made: {type(error).__name__}: {error}") from error
    return record.folder / PAGE


def not_on_paper(record: Record) -> str:
    """What the page has not of words that others wrote; empty: it has all."""
    from rig.drawing.pdf import unprintable
    from rig.report.customer_page import outside_words

    signs = unprintable(outside_words(record))
    return signs and f"the certificate's font has no {signs}: each is a ? on it; the report shows them"


def paper_of(record: Record) -> Path:
    """Where the newest report of a record stands, or would stand."""
    paths = [record.folder / name for name in (REPORT, *FORMER)]
    return next((path for path in paths if path.is_file()), paths[0])


def papers_of(record: Record) -> list[str]:
    """Which papers of a record stand where, a line each: the page for the owner, where there is one, and the report."""
    page = record.folder / PAGE
    return [f"certificate: {page}"] * page.is_file() + [f"report: {paper_of(record)}"]
