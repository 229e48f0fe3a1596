"""Putting a report into a folder: all of it or none, and nothing overwritten unasked."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenbeat.assessment.assess import Assessment
from evenbeat.disk import exchange, sync, umask
from evenbeat.errors import OutputError
from evenbeat.plain import plain

if TYPE_CHECKING:
    from evenbeat.assessment.history_case import HistoryAssessment
    from evenbeat.report.document import Document

_NAMES = HTML_NAME, PDF_NAME, JSON_NAME = "report.html", "report.pdf", "result.json"


@dataclass(frozen=True, kw_only=True)
class Report:
    """The files that were written; ``pdf`` is ``None`` where none was asked for, or why not is ``trouble``.

    ``identity`` stands in each of the files, so that files of two reports are told apart.
    """

    html: Path
    pdf: Path | None
    json: Path
    identity: str
    trouble: str = ""


def check_folder(folder: str | Path, *, force: bool = False) -> Path:
    """Return the folder if a report can go there; call it before the work, so that none is done in vain."""
    target = Path(folder)
    for part in (target, *target.parents):
        if part.exists() and not part.is_dir():
            msg = f"{part} is a file, so no report folder can be made of {target}; choose another folder"
            raise OutputError(msg)
    present = [name for name in _NAMES if (target / name).exists()]
    if present and not force:
        msg = (
            f"{target / present[0]} exists already; choose another folder, or replace the report in it "
            "with --force (force=True)"
        )
        raise OutputError(msg)
    return target


def write_report(
    assessment: Assessment | HistoryAssessment, folder: str | Path, *, force: bool = False, pdf: bool = True
) -> Report:
    """Write an assessment as ``report.html``, ``report.pdf`` and ``result.json``.

    Parameters
    ----------
    assessment
        From :func:`evenbeat.assess` or :func:`evenbeat.assess_history`.
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
    The same assessment gives the same bytes; of a history the day of analysis is part of it. The page
    loads nothing from anywhere. All files are complete and on the disk before the first one is put in place;
    a new folder, or one with an earlier report, is put in place as a whole. A PDF that cannot be made costs
    neither page nor numbers.

    Examples
    --------
    >>> import evenbeat as eb, tempfile
    >>> record = eb.Record.from_readings([10e6] * 60, unit="Hz", nominal_frequency_hz=10e6, interval_s=1)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     report = eb.write_report(eb.assess(record, tolerance=1e-6), folder, pdf=False)
    >>> report.html.name
    'report.html'

    References
    ----------
    Source: ISO/IEC 17025:2017, 7.8 (what an analysis is not: a certificate)
    Tests: tests/report/test_write_report.py
    """
    target = check_folder(folder, force=force)
    from evenbeat.report.history_report import history_document
    from evenbeat.report.log_report import log_document
    from evenbeat.report.page import html_page
    from evenbeat.report.pdf import pdf_bytes

    document = (
        log_document(assessment) if isinstance(assessment, Assessment) else history_document(assessment)
    )
    numbers, identity = _numbers(assessment, document)
    document = replace(document, footer=f"{document.footer}, report {identity}")
    contents = {
        HTML_NAME: html_page(document).encode("utf-8", "backslashreplace"),
        JSON_NAME: numbers.encode("utf-8", "backslashreplace"),
    }
    trouble = ""
    if pdf:
        try:
            contents[PDF_NAME] = pdf_bytes(document)
        except Exception as error:  # of the library that lays it out
            reason = f"{type(error).__name__}: {error}".splitlines()[0][:200]
            trouble = f"report.pdf could not be made ({reason}); report.html and result.json are complete"
    try:
        _place(target, contents)
    except OSError as error:
        msg = f"the report cannot be written to {target}: {error.strerror or error}; choose another folder"
        raise OutputError(msg) from error
    return Report(
        html=target / HTML_NAME,
        pdf=target / PDF_NAME if PDF_NAME in contents else None,
        json=target / JSON_NAME,
        identity=identity,
        trouble=trouble,
    )


def _numbers(assessment: Assessment | HistoryAssessment, document: Document) -> tuple[str, str]:
    """Return ``result.json`` and the identity of the files that it belongs to: a hash of its content."""
    content = plain({**assessment.to_dict(), "figures": document.illustrations})

    def text(facts: object) -> str:
        return json.dumps(facts, allow_nan=False, ensure_ascii=False, indent=1)

    identity = hashlib.sha256(text(content).encode("utf-8", "backslashreplace")).hexdigest()[:12]
    return text({"report": identity, **content}) + "\n", identity


def belongs_together(result: Path, content: Mapping[str, Any]) -> str:
    """Return what is wrong with the files beside a ``result.json``; nothing where they are of one report."""
    page = result.with_name(HTML_NAME)
    identity = content.get("report")
    if identity is None or not page.exists():
        return ""
    if f"report {identity}" in page.read_text(encoding="utf-8", errors="replace"):
        return ""
    return f"{page.name} beside it is of another report than {result.name}; write the report again"


def _place(target: Path, contents: dict[str, bytes]) -> None:
    """Write everything beside its place and move it there; take back what was made if that fails.

    A folder that is new, or that holds an earlier report, comes into being by one rename, with whatever else
    is in it. Into another folder, and the one that we stand in, the files go one by one.
    """
    target = target.resolve()
    new = not target.exists()
    earlier = not new and any((target / name).exists() for name in _NAMES)
    whole = new or (earlier and not Path.cwd().is_relative_to(target))
    made = [part for part in target.parents if not part.exists()]
    workplace: Path | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        beside = target.parent if whole else target
        workplace = Path(tempfile.mkdtemp(prefix=".unfinished-report-", dir=beside))
        for name, content in contents.items():
            with (workplace / name).open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        if new:
            workplace.chmod(0o777 & ~umask())
            workplace.rename(target)
        elif whole:
            others = shutil.ignore_patterns(*_NAMES)
            shutil.copytree(
                target, workplace, symlinks=True, ignore=others, copy_function=_linked, dirs_exist_ok=True
            )
            exchange(workplace, target)
        else:
            for name in contents:
                (workplace / name).replace(target / name)
            for name in set(_NAMES) - set(contents):
                (target / name).unlink(missing_ok=True)
        sync(target.parent)
    except OSError:
        if workplace is not None:
            shutil.rmtree(workplace, ignore_errors=True)
        for folder in made:
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()
        raise
    shutil.rmtree(workplace, ignore_errors=True)


def _linked(source: str, to: str) -> None:
    """Give a file a second name, where the disk can; else copy it."""
    try:
        os.link(source, to)
    except OSError:
        shutil.copy2(source, to)
