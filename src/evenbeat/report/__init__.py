"""The report: one document from an assessment, set as an HTML page, as a PDF and as JSON.

``document`` is what a report is made of; ``log_report``, ``history_report``, ``due_page`` and ``bench_page``
fill it, with ``sections`` that they share; ``page`` and ``pdf`` set it, ``write`` puts the files in place.
"""
