"""The page that goes with a unit, its label, and whether a paper in hand belongs to a record."""

import io
import re
import shutil
import unicodedata
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from PIL import Image
from pypdf import PdfReader
from simulated_runs import ROOT, simulated
from typer.testing import CliRunner

import checks
from rig import cli
from rig.bench.settings import load_bench_file
from rig.drawing.pdf import new_document
from rig.files.errors import BenchSetupError
from rig.files.pictures import picture_trouble
from rig.report import customer_page, label
from rig.report.codes import bars, runs_of_dark, squares
from rig.report.customer_page import MARKS, MONTHS, WORDS, write_customer_page
from rig.report.languages import ENGLISH, languages, table_of, translating
from rig.report.paper import make_certificate, not_on_paper
from rig.run import verify as verifying
from rig.store.recorded import recorded_kit
from rig.store.records import sha256
from rig.store.run_json import Maker, Record
from rig.values.run import Run

MAKER = Maker("A & B <workshop>", "1 Some Road\nSome Town", "Some Town", "en")


def text_of(path: Path) -> str:
    [page] = PdfReader(path).pages
    return page.extract_text()


def page_of(good_run: tuple[Run, Record], folder: Path, maker: Maker | None, **changes: object) -> Path:
    run, record = good_run
    record = replace(record, maker=maker, **changes)
    return write_customer_page(folder / "page.pdf", record, replace(run, outcome=record.outcome), recorded_kit(record))


def test_one_page_says_what_an_owner_asks_and_nothing_else(good_run, tmp_path: Path) -> None:
    path = page_of(good_run, tmp_path, MAKER, by="C. D.")
    text = text_of(path)
    _, record = good_run
    for words in ("A & B <workshop>", "1 Some Road", "BT-0001", "PASSED", "Rub and buzz", "C. D.", "revision C"):
        assert words in text
    assert sha256(record.folder / "run.json")[:16] in text
    for words in (record.run, "plan", "rework", "parts misfit"):
        assert words not in text
    assert path.stat().st_size < 150_000


def test_its_fonts_are_in_it(good_run, tmp_path: Path) -> None:
    [page] = PdfReader(page_of(good_run, tmp_path, None)).pages
    for font in page["/Resources"]["/Font"].values():
        [inner] = font.get_object()["/DescendantFonts"]
        assert "/FontFile2" in inner.get_object()["/FontDescriptor"]


@pytest.mark.parametrize("outcome", ["fail", "void"])
def test_a_verdict_that_is_no_pass_is_said(good_run, tmp_path: Path, outcome) -> None:
    text = text_of(page_of(good_run, tmp_path, None, outcome=outcome))
    assert WORDS[outcome][0] in text
    assert "PASSED" not in text


def test_another_language_says_all_of_it(good_run, tmp_path: Path) -> None:
    text = text_of(page_of(good_run, tmp_path, replace(MAKER, language="de")))
    for words in ("Prüfzeugnis", "BESTANDEN", "Schleifen und Schnarren", "Frequenz in Hz", "Unterschrift"):
        assert words in text
    for words in ("Rub and buzz", "frequency", "tested by"):
        assert words not in text


PUT_IN = re.compile(r"\{\w+\}|%\(\w+\)s|%%|</?strong>")


@pytest.mark.parametrize("language", sorted(set(languages()) - {ENGLISH}))
def test_a_language_has_every_word(language: str) -> None:
    table = table_of(language)
    said = set()
    for module in (customer_page, label):
        said |= set(re.findall(r'say\(\s*"([^"]+)"', Path(str(module.__file__)).read_text(encoding="utf-8")))
    said |= {*MONTHS, *MARKS.values(), *(words for pair in WORDS.values() for words in pair)}
    said |= {check.TITLE for check in checks.ALL}
    assert said - set(table) == set()
    for english, other in table.items():
        assert set(PUT_IN.findall(english)) == set(PUT_IN.findall(other))


@pytest.mark.parametrize(
    ("name", "on_paper", "missing"),
    [
        ("Müller & Søn", "Müller & Søn", ""),
        ("Мастерская", "Мастерская", ""),
        ("Εργαστήριο", "Εργαστήριο", ""),
        # Written as one sign and another above it, as some systems give it: as it stands in the font.
        ("Mu\u0308ller", "Müller", ""),
        ("工房 Ada", "?? Ada", "工房"),
        ("ورشة", "????", "ورشة"),
        ("סדנה", "????", "סדנה"),
        ("𝕂it \U0001f50a", "?it ?", "𝕂\U0001f50a"),
    ],
)
def test_a_name_is_readable_on_paper_or_it_is_told_which_letters_are_not(
    good_run, tmp_path: Path, name: str, on_paper: str, missing: str
) -> None:
    path = page_of(good_run, tmp_path, replace(MAKER, name=name))
    text = unicodedata.normalize("NFC", text_of(path))
    assert on_paper in text
    assert ("stands for a letter that this font has not" in text) == bool(missing)
    said = not_on_paper(replace(good_run[1], maker=replace(MAKER, name=name)))
    assert said == (
        f"the certificate's font has no {missing}: each is a ? on it; the report shows them" * bool(missing)
    )


def test_words_that_no_table_has_stay_as_they_are() -> None:
    assert translating("de")("A kit's own check") == "A kit's own check"


def test_bars_are_a_code_128() -> None:
    """Eleven modules a sign, thirteen for the stop, and the start sign of set B: ISO/IEC 15417."""
    modules = bars("BT-0001 a")
    assert modules.startswith("11010010000")
    assert modules.endswith("1100011101011")
    assert (len(modules) - 13) % 11 == 0
    with pytest.raises(ValueError, match="cannot be written as Code 128"):
        bars("ж")


def test_squares_have_their_three_corners() -> None:
    """A finder pattern of 7 by 7 modules in three corners: ISO/IEC 18004."""
    rows = squares("serial BT-0001 record " + "0" * 64)
    assert len(rows) == len(rows[0])
    for corner in (rows[0][:7], rows[0][-7:], rows[-1][:7]):
        assert corner == [True] * 7


def test_runs_of_dark_modules() -> None:
    assert runs_of_dark([True, True, False, True]) == [(0, 2), (3, 4)]
    assert runs_of_dark([]) == []


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    return Path(shutil.copytree(ROOT / "tests" / "archive", tmp_path / "archive"))


def called(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(cli.app, list(words))
    return done.exit_code, done.output


def test_a_paper_in_hand_is_held_against_the_store(archive: Path) -> None:
    [folder] = (archive / "results" / "shelf-one" / "SO-0001").glob("2*")
    whole = sha256(folder / "run.json")
    status, text = called("check-paper", "SO-0001", f"{whole[:8]} {whole[8:16]}", "--workspace", str(archive))
    assert status == 0
    assert "belongs to run 1" in text
    status, text = called("check-paper", "SO-0001", "0" * 16, "--workspace", str(archive))
    assert status == 1
    assert "of another record" in text
    next(folder.glob("captures/*")).unlink()
    status, text = called("check-paper", "SO-0001", whole, "--workspace", str(archive))
    assert status == 1
    assert "ALTERED" in text


@pytest.mark.parametrize("digits", ["", "12", "g" * 16, "0" * 65])
def test_what_is_no_fingerprint_is_refused(archive: Path, digits: str) -> None:
    done = CliRunner().invoke(cli.app, ["check-paper", "SO-0001", digits, "--workspace", str(archive)])
    assert "allowed: 16 to 64 digits" in str(done.exception)


def test_a_label_is_written_and_one_too_small_refused(archive: Path, tmp_path: Path) -> None:
    status, _ = called(
        "label", "SO-0001", "--width", "40", "--height", "20", "--workspace", str(archive), "--to", str(tmp_path)
    )
    assert status == 0
    assert "SO-0001" in text_of(tmp_path / "label-SO-0001.pdf")
    assert (tmp_path / "label-SO-0001.png").read_bytes().startswith(b"\x89PNG")
    done = CliRunner().invoke(cli.app, ["label", "SO-0001", "--width", "15", "--workspace", str(archive)])
    assert "allowed: at least" in str(done.exception)


def test_the_sheet_of_codes(tmp_path: Path) -> None:
    assert called("codes", str(tmp_path / "codes.pdf"))[0] == 0
    text = text_of(tmp_path / "codes.pdf")
    assert "KPGOON" in text
    assert "go on" in text


def test_the_maker_stands_in_the_record_from_its_begin_with_the_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is known at the begin is in a checkpoint too, so that a run that is taken up again has it."""
    kit = Path(shutil.copytree(ROOT / "limits" / "booth-two", tmp_path / "limits" / "booth-two"))
    text = (kit / "kit.toml").read_text(encoding="utf-8")
    (kit / "kit.toml").write_text(text.replace("[plans]\n", '[plans]\nshort = ["leads"]\n'), encoding="utf-8")
    Image.new("1", (20, 10)).save(tmp_path / "logo.png")
    (tmp_path / "bench.toml").write_text(
        'kind = "simulated"\n[maker]\nname = "A & B"\nlogo = "logo.png"\n', encoding="utf-8"
    )
    settings = load_bench_file(tmp_path / "bench.toml")
    began = []
    journal = verifying.Journal
    monkeypatch.setattr(verifying, "Journal", lambda *of: began.append(of[3]) or journal(*of))
    bench = simulated(tmp_path, "booth-two", "BT-0001")
    work = verifying.job(tmp_path, "booth-two", "short")
    _, record = verifying.verify(tmp_path, work, "BT-0001", bench, lambda _: True, lambda _: None, settings=settings)
    assert record.maker == began[0].maker == Maker("A & B", "", "", "en", "maker.png")
    assert "maker.png" in record.files
    assert "A & B" in text_of(make_certificate(record))


def picture(mode: str, kind: str, size: tuple[int, int] = (40, 20)) -> bytes:
    made = io.BytesIO()
    Image.new(mode, size).save(made, kind)
    return made.getvalue()


BAD_PICTURES = {
    "a part of a PNG": picture("RGB", "PNG", (400, 400))[:-40],
    "the begin of a PNG": b"\x89PNG\r\n\x1a\n",
    "a JPEG that was cut": picture("RGB", "JPEG", (400, 400))[:-200],
    "a PNG with a changed middle": picture("RGB", "PNG", (400, 400)).replace(b"IDAT", b"IDAT\xff", 1),
    "too many points": picture("1", "PNG", (6000, 6000)),
    "a GIF": picture("P", "GIF"),
    "no picture": b"logo",
    "nothing": b"",
}


@pytest.mark.parametrize("name", BAD_PICTURES)
def test_a_picture_that_cannot_be_drawn_is_refused_and_left_out_where_a_record_has_it(
    good_run, tmp_path: Path, name: str
) -> None:
    (tmp_path / "logo.png").write_bytes(BAD_PICTURES[name])
    (tmp_path / "bench.toml").write_text(
        'kind = "simulated"\n[maker]\nname = "A & B"\nlogo = "logo.png"\n', encoding="utf-8"
    )
    with pytest.raises(BenchSetupError, match=r"maker\.logo: .*logo\.png: found .*; allowed: a whole PNG or JPEG"):
        load_bench_file(tmp_path / "bench.toml")
    run, record = good_run
    shutil.copytree(record.folder, tmp_path / "record")
    (tmp_path / "record" / "maker.png").write_bytes(BAD_PICTURES[name])
    record = replace(record, maker=replace(MAKER, logo="maker.png"), folder=tmp_path / "record")
    assert "A & B" in text_of(write_customer_page(tmp_path / "page.pdf", record, run, recorded_kit(record)))


TAKEN = [("PNG", mode) for mode in ("1", "L", "LA", "P", "RGB", "RGBA", "I;16")]


@pytest.mark.parametrize(("kind", "mode"), [*TAKEN, ("JPEG", "L"), ("JPEG", "RGB"), ("JPEG", "CMYK")])
def test_whatever_picture_is_taken_can_be_drawn(kind: str, mode: str) -> None:
    content = picture(mode, kind)
    assert picture_trouble(content) == ""
    with new_document("", datetime.now(UTC)) as document:
        document.add_page()
        document.image(io.BytesIO(content), x=0, y=0, h=14, w=50, keep_aspect_ratio=True)


def test_what_steers_a_terminal_is_neither_on_paper_nor_said_of_it(
    good_run, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    maker = replace(MAKER, name="A\x1b[2J\x9b \u202eB\t\r\u4e2d", address="1\x07 Lane")
    text = text_of(page_of(good_run, tmp_path, maker))
    assert "A[2J B" in text
    assert "1 Lane" in text
    assert not caplog.records
