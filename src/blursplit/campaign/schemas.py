"""The published JSON schemas of what the campaign commands print."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from blursplit.campaign.accept import ACCEPT_SCHEMA, Acceptance
from blursplit.campaign.compare_record import COMPARE_SCHEMA, Comparison
from blursplit.campaign.plan_record import PLAN_SCHEMA, Plan
from blursplit.campaign.summary import ARCHIVE_SCHEMA, ArchiveSummary

if TYPE_CHECKING:
    from pydantic import BaseModel

_MODELS: dict[str, type[BaseModel]] = {
    ACCEPT_SCHEMA: Acceptance,
    ARCHIVE_SCHEMA: ArchiveSummary,
    COMPARE_SCHEMA: Comparison,
    PLAN_SCHEMA: Plan,
}


def json_schemas() -> dict[str, dict[str, Any]]:
    """Return the JSON schema of each record by the name that stands in its ``schema`` key."""
    return {
        name: model.model_json_schema(by_alias=True, mode="serialization")
        for name, model in _MODELS.items()
    }
