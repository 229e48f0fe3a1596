"""The report: one document from an assessment, set as an HTML page, as a PDF and as JSON.

``document`` is what a report is made of, ``answer``, ``evidence`` and ``method`` fill it from an
assessment, ``page`` and ``pdf`` set it, ``numbers`` writes every number, ``write`` puts the files in place.
"""
