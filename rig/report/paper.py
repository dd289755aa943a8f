"""The certificate of a record: made from what is on the disk alone, so that it can be made again at any time."""

from pathlib import Path

from rig.files.errors import PaperError, RecordError
from rig.store.records import read_record
from rig.store.run_json import Record

PAPER = "certificate.html"
#: Beside the certificate of a record that was closed with it: no file of a record is ever written again.
PAPER_AGAIN = "certificate-again.html"


def make_certificate(record: Record) -> Path:
    """Read a record back, write its certificate beside run.json, and return its path.

    Raises
    ------
    PaperError
        If it cannot be made, saying why.
    """
    from rig.report.certificate import certificate
    from rig.store.recorded import read_run, recorded_kit

    try:
        record = read_record(record.folder)
        kit = recorded_kit(record)
        page = certificate(record, read_run(record, kit), kit)
        path = record.folder / (PAPER_AGAIN if PAPER in record.files else PAPER)
        new = path.with_name(f".{path.name}.new")
        new.write_text(page, encoding="utf-8", errors="replace")
        new.replace(path)
    except RecordError as error:
        raise PaperError(f"no certificate could be made: {error}") from error
    except (Exception, KeyboardInterrupt) as error:
        # Whatever a drawing runs into is a trouble of the paper, never of the record.
        raise PaperError(f"no certificate could be made: {type(error).__name__}: {error}") from error
    return path


def paper_of(record: Record) -> Path:
    """Where the newest certificate of a record stands, or would stand."""
    again = record.folder / PAPER_AGAIN
    return again if again.is_file() else record.folder / PAPER
