"""The page of a result: what was found, in words, and the record behind it."""

from __future__ import annotations

from html import escape

from blursplit.report.shell import page_shell
from blursplit.result import Result
from blursplit.series import Series

__all__ = ["render_page"]


def render_page(result: Result, series: Series) -> str:
    """Render index.html of a result."""
    del series
    verdict = result.verdict
    reasons = "".join(f"<li>{escape(remark.text)}</li>" for remark in verdict.reasons)
    steps = "".join(f"<li>{escape(step.text)}</li>" for step in verdict.next)
    body = (
        f"<h1>{escape(verdict.headline)}</h1><ul>{reasons}</ul><h2>Next</h2><ol>{steps}</ol>"
        f"<h2>Record</h2><pre>{escape(result.to_json())}</pre>"
    )
    return page_shell(result.sequence.name or "result", body)
