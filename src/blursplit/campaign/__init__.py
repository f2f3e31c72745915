"""Campaigns: archives of many sequences, before against after, acceptance and planning."""

from __future__ import annotations

from blursplit.campaign.accept import Acceptance, judge_runs
from blursplit.campaign.archive import ArchiveRun, archive
from blursplit.campaign.compare import compare, split_alternating
from blursplit.campaign.compare_record import Comparison
from blursplit.campaign.limits import Limits, read_limits
from blursplit.campaign.plan import Plan, plan
from blursplit.campaign.store import ArchiveSummary, Store, summarize_store

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
    "judge_runs",
    "plan",
    "read_limits",
    "split_alternating",
    "summarize_store",
]
