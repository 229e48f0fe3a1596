"""The report: answer first, complete, escaped, self-contained, reproducible, all of it or none."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from evenbeat.assessment.assess import Assessment, assess
from evenbeat.errors import OutputError
from evenbeat.figures.axes import typeset
from evenbeat.findings import Finding
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import number_text
from evenbeat.record import Record, Source
from evenbeat.report import write
from evenbeat.report.document import Bullets
from evenbeat.report.log_report import log_document
from evenbeat.report.sections import STANDING, range_text
from evenbeat.report.write import check_folder, write_report

DAY = 86400.0
HOSTILE = "<script src=x>alert('&')<b>.csv"
VOID = {"meta", "br", "img", "hr", "input", "link", "use", "path", "rect"}


class Page(HTMLParser):
    """What a page holds: its tags with attributes, and its text without style and drawings."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Remember a tag."""
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Remember a tag that closes itself."""
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        """Forget it; every tag that closes must be the one that is open."""
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Remember visible words."""
        if not {"style", "svg"} & set(self.open):
            self.words.append(data)

    @property
    def text(self) -> str:
        """All visible words with single spaces."""
        return " ".join(" ".join(self.words).split())


def simulated() -> Record:
    """Return sixty days of a simulated clock every six hours, as if read from a file with a hostile name."""
    record = simulate_clock(
        240,
        interval_s=21600,
        levels=NoiseLevels(white_fm=2e-20, random_walk_fm=1e-31),
        seed=8,
        aging=lambda t: 1e-9 + 1e-11 * t / DAY,
        start="2026-03-01",
        nominal_frequency_hz=1e7,
    )
    source = Source(path=f"/somewhere/{HOSTILE}", sha256="ab" * 32, size_bytes=1234, rows=240)
    return replace(record, source=source, reference="rubidium & <b>co</b>")


@pytest.fixture(scope="module")
def assessment() -> Assessment:
    """Return the whole assessment of the simulated clock."""
    return assess(simulated(), tolerance=1e-8, time_error_limit_s=1e-5, aging="linear")


@pytest.fixture(scope="module")
def small() -> Assessment:
    """Return an assessment without a clock model, quickly drawn: all readings are the same."""
    record = replace(Record.from_frequency(np.full(300, 3e-8), interval_s=10.0), resolution=1e-8)
    return assess(record, tolerance=1e-6)


@pytest.fixture(scope="module")
def folder(assessment: Assessment, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of its report."""
    target = tmp_path_factory.mktemp("reports") / "new" / "report"
    write_report(assessment, target)
    return target


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    """Return the parsed page."""
    return Page((folder / "report.html").read_text(encoding="utf-8"))


def test_three_files_and_nothing_else(folder: Path) -> None:
    """No temporary file is left behind."""
    assert sorted(path.name for path in folder.iterdir()) == ["report.html", "report.pdf", "result.json"]


def test_page_says_the_answer_first(page: Page, assessment: Assessment) -> None:
    """Headline, lines, the figure that carries them, what could be wrong, what next, key numbers."""
    text = page.text
    places = [text.index(" ".join(typeset(assessment.verdict.headline).split()))]
    places += [text.index(" ".join(typeset(sentence).split())) for _, sentence in assessment.verdict.lines]
    headings = ("Figure 1.", "What could make it wrong", "What to do next", "Key numbers", "Figure 2.")
    places += [text.index(words) for words in headings]
    assert places == sorted(places)
    assert STANDING in text


def test_page_holds_every_finding_and_the_provenance(page: Page, assessment: Assessment) -> None:
    """Findings with code and word, hashes, versions, history."""
    for finding in assessment.findings:
        assert finding.code in page.text
        if finding.severity in ("stop", "caution"):
            assert " ".join(typeset(finding.sentence).split()) in page.text
    for finding in assessment.beside_verdict:
        if finding.severity in ("stop", "caution"):
            assert page.text.count(" ".join(typeset(finding.sentence).split())) == 1
    assert assessment.record.fingerprint() in page.text
    assert "ab" * 32 in page.text
    assert all(version in page.text for version in assessment.software.values())
    for name in ("NIST SP 1065", "IEEE Std 1139", "OIML D 10", "Matheron", "JCGM 100"):
        assert name in page.text


def test_page_is_well_formed_and_accessible(page: Page) -> None:
    """Tags are closed, language stated, figures have words, table heads a scope; ids are unique."""
    assert not page.open
    tags = page.tags
    assert ("html", {"lang": "en"}) in tags
    figures = sum(tag == "figure" for tag, _ in tags)
    described = [attributes for _, attributes in tags if attributes.get("role") == "img"]
    assert figures == len(described) == 7
    assert all(len(attributes.get("aria-label") or "") > 40 for attributes in described)
    assert all(attributes.get("scope") in ("col", "row") for tag, attributes in tags if tag == "th")
    ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert sum(tag == "h1" for tag, _ in tags) == 1


def test_page_loads_nothing(folder: Path, page: Page) -> None:
    """No resource from anywhere: no link, script, image or frame; style without url to outside."""
    assert not {"script", "link", "img", "iframe", "object", "embed"} & {tag for tag, _ in page.tags}
    text = (folder / "report.html").read_text(encoding="utf-8")
    assert "@import" not in text
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", text))
    for _, attributes in page.tags:
        for name, value in attributes.items():
            if name in ("src", "href", "xlink:href", "data", "action"):
                assert (value or "").startswith("#")


def test_hostile_names_are_only_text(folder: Path, page: Page) -> None:
    """A file name with a script in it is shown, not run; folders of the machine are not shown."""
    text = (folder / "report.html").read_text(encoding="utf-8")

    assert "<script" not in text
    assert HOSTILE in page.text
    assert "rubidium & <b>co</b>" in page.text
    assert "/somewhere" not in text
    assert "/somewhere" not in (folder / "result.json").read_text(encoding="utf-8")


def test_json_has_the_numbers_of_the_page(folder: Path, page: Page, assessment: Assessment) -> None:
    """Valid JSON without NaN; aging, interval and figures agree with what is printed."""

    def refuse(constant: str) -> float:
        raise AssertionError(constant)

    result = json.loads((folder / "result.json").read_text(encoding="utf-8"), parse_constant=refuse)

    rate = result["clock_model"]["aging_rate_per_day"]
    assert typeset(number_text(rate["value"], rate["standard_uncertainty"])) in page.text
    assert assessment.interval is not None
    assert result["interval"]["interval_s"] == assessment.interval.interval_s
    assert result["verdict"]["headline"] == assessment.verdict.headline
    assert len(result["figures"]) == 7
    for figure in result["figures"]:
        assert f"Figure {figure['number']}. {' '.join(typeset(figure['caption']).split())}" in page.text
    curve = assessment.curves["overlapping_allan"]
    np.testing.assert_array_equal(result["stability"]["overlapping_allan"]["deviation"], curve.deviation)


def test_pdf_has_the_same_words(folder: Path, assessment: Assessment) -> None:
    """Headline, standing, captions and page numbers are text in the PDF."""
    content = (folder / "report.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    assert content.count(b"/Subtype /Image") >= 7
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not here, so the words of the PDF cannot be read")
    shown = subprocess.run(
        ["pdftotext", "-raw", str(folder / "report.pdf"), "-"], capture_output=True, check=True
    ).stdout.decode()
    words = " ".join(shown.split())
    assert " ".join(typeset(assessment.verdict.headline).split()) in words
    assert "Figure 7." in words
    assert re.search(r"1 ?/ ?\d+", words)
    assert assessment.record.fingerprint() in words.replace(" ", "")


def test_what_carries_the_answer_fits_four_pages(folder: Path, assessment: Assessment) -> None:
    """Two pages to act on and two of evidence, which the page folds; colours follow the theme."""
    assert len(re.findall(rb"/Type /Page\b", (folder / "report.pdf").read_bytes())) <= 4
    text = (folder / "report.html").read_text(encoding="utf-8")
    folded = re.findall(r"<summary><h2>(.*?)</h2>", text)
    assert folded == [
        "Settings and provenance",
        "Cautions",
        "Evidence",
        "Findings and checks",
        "Method and references",
    ]
    assert "prefers-color-scheme: dark" in text
    assert not re.search(r"(?:fill|stroke): #[0-9a-f]{6}", text)
    assert assessment.next_steps[0].startswith("Look again by 2026-06-29, 60 d after the last reading")


@pytest.mark.slow
@pytest.mark.parametrize("which", ["small", pytest.param("assessment", marks=pytest.mark.slow)])
def test_same_assessment_gives_the_same_bytes(
    which: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """Nothing in the files tells when or where they were made."""
    one, again = (write_report(request.getfixturevalue(which), tmp_path / name) for name in "ab")

    for first, second in ((one.html, again.html), (one.json, again.json), (one.pdf, again.pdf)):
        assert first is not None
        assert second is not None
        assert first.read_bytes() == second.read_bytes()


def test_nothing_is_overwritten_unasked(
    small: Assessment, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An earlier report stays as it is without force, and is replaced as a whole with it."""
    monkeypatch.setattr("evenbeat.report.page.html_page", lambda _: "new")
    (tmp_path / "report.html").write_text("precious")
    (tmp_path / "report.pdf").write_text("old")

    with pytest.raises(OutputError, match=r"report\.html exists already; .*--force"):
        write_report(small, tmp_path, pdf=False)
    assert (tmp_path / "report.html").read_text() == "precious"

    report = write_report(small, tmp_path, force=True, pdf=False)
    assert report.html.read_text() == "new"
    assert report.pdf is None
    assert sorted(path.name for path in tmp_path.iterdir()) == ["report.html", "result.json"]


def test_folder_below_a_file_is_refused(tmp_path: Path) -> None:
    """The sentence names the file that is in the way, before any work is done."""
    (tmp_path / "file").write_text("")

    with pytest.raises(
        OutputError, match=r"file is a file, so no report folder can be made of .*file/report"
    ):
        check_folder(tmp_path / "file" / "report")


def test_failure_leaves_nothing_behind(
    small: Assessment, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the last file cannot be written there is no report, no temporary file and no new folder."""
    monkeypatch.setattr(write, "JSON_NAME", "x" * 300)  # too long for any disk

    with pytest.raises(OutputError, match=r"cannot be written to .*too long; choose another folder"):
        write_report(small, tmp_path / "a" / "b")
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_readings_that_are_all_the_same_still_make_a_report(small: Assessment, tmp_path: Path) -> None:
    """Where the display hides the clock there is a page that says so, without invented figures."""
    report = write_report(small, tmp_path)

    page = Page(report.html.read_text(encoding="utf-8"))
    assert small.model is None
    assert "The display, not the oscillator, limits this log" in page.text
    assert "No clock model" in page.text
    names = [figure["name"] for figure in json.loads(report.json.read_text())["figures"]]
    assert names[0] == "record"
    assert not {"aging", "holdover", "interval"} & set(names)


def test_document_without_tolerance_says_what_is_missing() -> None:
    """No tolerance: no interval figure, and a sentence that says why."""
    record = simulate_clock(60, interval_s=DAY, levels=NoiseLevels(white_fm=1e-18), seed=1)

    document = log_document(assess(record, aging="linear"))

    assert "interval" not in [illustration.name for illustration in document.illustrations]
    texts = [getattr(block, "text", "") for section in document.sections for block in section.blocks]
    assert any("no tolerance was stated" in text for text in texts)


def test_ranges_have_the_digits_that_tell_their_ends_apart() -> None:
    """Never '3.27 to 3.27'."""
    assert " ".join(range_text(3.27101e-9, 3.27312e-9).split()) == "3.27101e-09 to 3.27312e-09"
    assert " ".join(range_text(-1.0, 2.0).split()) == "-1.00 to 2.00"
    assert " ".join(range_text(11.7624, 11.8).split()) == "11.762 to 11.800"


def test_findings_come_worst_first(small: Assessment) -> None:
    """A withheld answer stands first among what could make the answer wrong."""
    stop = Finding(code="WORST", severity="stop", sentence="Nothing can be said.")
    document = log_document(
        replace(small, findings=(*(f for f in small.findings if f.severity != "stop"), stop))
    )

    block = next(s for s in document.sections if s.heading == "What could make it wrong").blocks[0]
    assert isinstance(block, Bullets)
    assert block.items[0] == "Nothing can be said."


def test_one_identity_in_all_files(folder: Path, page: Page) -> None:
    """Page, numbers and PDF state the same report; a page of another one beside the numbers is noticed."""
    numbers = json.loads((folder / "result.json").read_text())
    words = (
        subprocess.run(
            ["pdftotext", str(folder / "report.pdf"), "-"], capture_output=True, text=True, check=True
        ).stdout
        if shutil.which("pdftotext")
        else f"report {numbers['report']}"
    )

    assert re.fullmatch("[0-9a-f]{12}", numbers["report"])
    assert f"report {numbers['report']}" in page.text
    assert f"report {numbers['report']}" in words
    assert write.belongs_together(folder / "result.json", numbers) == ""
    assert "of another report" in write.belongs_together(folder / "result.json", {"report": "0" * 12})


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        pytest.param("r" * 3500, id="long word", marks=pytest.mark.slow),
        pytest.param("odd \udcff\nname.csv", id="not UTF-8"),
        pytest.param("c" * 100_000, id="huge", marks=pytest.mark.slow),
    ],
)
def test_any_name_makes_all_three_files(name: str, small: Assessment, tmp_path: Path) -> None:
    """Names of files, references and columns may be of any length and of any bytes."""
    source = Source(path=name, sha256="0" * 64, size_bytes=1, rows=720)
    record = replace(small.record, reference=name, source=source)
    report = write_report(replace(small, record=record), tmp_path / "report")

    assert report.trouble == ""
    assert report.pdf is not None
    assert json.loads(report.json.read_bytes())["record"]["reference"]


def test_a_failed_pdf_costs_neither_page_nor_numbers(
    small: Assessment, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the layout library raises: the other two files are there, and it is said."""
    monkeypatch.setattr("evenbeat.report.pdf.pdf_bytes", lambda _: 1 / 0)
    report = write_report(small, tmp_path / "report")

    assert report.pdf is None
    assert "report.pdf could not be made (ZeroDivisionError: division by zero)" in report.trouble
    assert sorted(path.name for path in (tmp_path / "report").iterdir()) == ["report.html", "result.json"]
