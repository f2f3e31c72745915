"""Campaigns: archives of many sequences, before against after, acceptance and planning."""

from __future__ import annotations

from blursplit.campaign.accept import Acceptance
from blursplit.campaign.archive import ArchiveRun, archive
from blursplit.campaign.compare import compare, split_alternating
from blursplit.campaign.compare_record import Comparison
from blursplit.campaign.limits import Limits
from blursplit.campaign.plan import Plan, plan
from blursplit.campaign.store import ArchiveSummary, Store

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
    "plan",
    "split_alternating",
]
