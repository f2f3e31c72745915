"""Campaigns: archives of many sequences, before against after, acceptance and planning."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from blursplit.campaign.accept import ACCEPT_SCHEMA, Acceptance, Limits, judge_runs, read_limits
from blursplit.campaign.archive import ArchiveRun, archive
from blursplit.campaign.compare import compare, split_alternating
from blursplit.campaign.compare_record import COMPARE_SCHEMA, Comparison
from blursplit.campaign.plan import plan
from blursplit.campaign.recording import PLAN_SCHEMA, Plan
from blursplit.campaign.store import ARCHIVE_SCHEMA, ArchiveSummary, Store, summarize_store

__all__ = [
    "Acceptance",
    "ArchiveRun",
    "ArchiveSummary",
    "Comparison",
    "Limits",
    "Plan",
    "Store",
    "archive",
    "compare",
    "json_schemas",
    "judge_runs",
    "plan",
    "read_limits",
    "split_alternating",
    "summarize_store",
]


def json_schemas() -> dict[str, dict[str, Any]]:
    """Return the JSON schema of each record by the name that stands in its ``schema`` key."""
    models: dict[str, type[BaseModel]] = {
        ACCEPT_SCHEMA: Acceptance,
        ARCHIVE_SCHEMA: ArchiveSummary,
        COMPARE_SCHEMA: Comparison,
        PLAN_SCHEMA: Plan,
    }
    return {
        name: model.model_json_schema(by_alias=True, mode="serialization")
        for name, model in models.items()
    }
