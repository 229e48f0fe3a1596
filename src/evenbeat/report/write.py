"""Putting a report into a folder: all of it or none, and nothing overwritten unasked."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from evenbeat.assessment.assess import Assessment
from evenbeat.errors import OutputError

HTML_NAME, PDF_NAME, JSON_NAME = "report.html", "report.pdf", "result.json"


@dataclass(frozen=True, kw_only=True)
class Report:
    """The files that were written; ``pdf`` is ``None`` where none was asked for."""

    html: Path
    pdf: Path | None
    json: Path


def check_folder(folder: str | Path, *, force: bool = False) -> Path:
    """Return the folder if a report can go there; call it before the work, so that none is done in vain.

    Raises
    ------
    OutputError
        If the folder is a file or lies below one, or a file of an earlier report is in it.
    """
    target = Path(folder)
    for part in (target, *target.parents):
        if part.exists() and not part.is_dir():
            msg = f"{part} is a file, so no report folder can be made of {target}; choose another folder"
            raise OutputError(msg)
    present = [name for name in (HTML_NAME, PDF_NAME, JSON_NAME) if (target / name).exists()]
    if present and not force:
        msg = (
            f"{target / present[0]} exists already; choose another folder, or replace the report in it "
            "with --force (force=True)"
        )
        raise OutputError(msg)
    return target


def write_report(
    assessment: Assessment, folder: str | Path, *, force: bool = False, pdf: bool = True
) -> Report:
    """Write an assessment as ``report.html``, ``report.pdf`` and ``result.json``.

    Parameters
    ----------
    assessment
        From :func:`evenbeat.assess`.
    folder
        Made if it does not exist.
    force
        Replaces the files of an earlier report; one without a PDF takes the earlier PDF away.
    pdf
        Whether to write the PDF as well.

    Returns
    -------
    Report
        Paths of the files.

    Raises
    ------
    OutputError
        If the folder cannot be written to or an earlier report would be overwritten.

    Notes
    -----
    The same assessment gives the same bytes: nothing in the files tells when they were made. The page
    loads nothing from anywhere. All files are complete before the first one is put in place.

    References
    ----------
    Source: ISO/IEC 17025:2017, 7.8 (what an analysis is not: a certificate)
    Tests: tests/report/test_write_report.py
    """
    check_folder(folder, force=force)
    return place_report(folder, _contents(assessment, pdf=pdf), force=force)


def place_report(folder: str | Path, contents: dict[str, bytes], *, force: bool) -> Report:
    """Put the files of a report in place: all of them or none.

    Raises
    ------
    OutputError
        If the folder cannot be written to or an earlier report would be overwritten.
    """
    target = check_folder(folder, force=force)
    pdf = PDF_NAME in contents
    try:
        _place(target, contents)
        if not pdf:
            (target / PDF_NAME).unlink(missing_ok=True)
    except OSError as error:
        msg = f"the report cannot be written to {target}: {error.strerror or error}; choose another folder"
        raise OutputError(msg) from error
    return Report(html=target / HTML_NAME, pdf=target / PDF_NAME if pdf else None, json=target / JSON_NAME)


def _contents(assessment: Assessment, *, pdf: bool) -> dict[str, bytes]:
    from evenbeat.report.contents import document_of
    from evenbeat.report.numbers import json_text
    from evenbeat.report.page import html_page
    from evenbeat.report.pdf import pdf_bytes

    document = document_of(assessment)
    contents = {
        HTML_NAME: html_page(document).encode(),
        JSON_NAME: json_text(assessment, document).encode(),
    }
    return {**contents, PDF_NAME: pdf_bytes(document)} if pdf else contents


def _place(target: Path, contents: dict[str, bytes]) -> None:
    """Write everything beside its place and move it there; take back what was made if that fails."""
    made = [part for part in (target, *target.parents) if not part.exists()]
    workplace: Path | None = None
    try:
        target.mkdir(parents=True, exist_ok=True)
        workplace = Path(tempfile.mkdtemp(prefix=".unfinished-report-", dir=target))
        for name, content in contents.items():
            (workplace / name).write_bytes(content)
        for name in contents:
            (workplace / name).replace(target / name)
    except OSError:
        if workplace is not None:
            shutil.rmtree(workplace, ignore_errors=True)
        for folder in made:
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()
        raise
    shutil.rmtree(workplace, ignore_errors=True)
