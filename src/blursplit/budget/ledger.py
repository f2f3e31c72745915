"""The ledger of an account: what was found so far, as parts of the result and arrays."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from blursplit.budget.verdict import Evidence, judge
from blursplit.result import Warning_

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from blursplit.budget.facts import Facts
    from blursplit.budget.split import Split
    from blursplit.result import Result

    FloatArray = NDArray[np.float64]


@dataclass
class Account:
    """What was found, as parts of the result, arrays and images.

    Parameters
    ----------
    parts : dict
        Part of the result -> its record.
    arrays, images : dict
        For the series.
    warnings : list of Warning_
    evidence : Evidence
    facts : Facts
    split : Split or None
    """

    facts: Facts
    evidence: Evidence
    parts: dict[str, Any] = field(default_factory=dict)
    arrays: dict[str, FloatArray] = field(default_factory=dict)
    images: dict[str, NDArray[np.float32]] = field(default_factory=dict)
    warnings: list[Warning_] = field(default_factory=list)
    split: Split | None = None

    def warn(self, code: str, text: str) -> None:
        """Keep a doubt that goes with the numbers."""
        self.warnings.append(Warning_(code=code, text=text))

    def with_verdict(self, result: Result) -> Result:
        """Return the result with its verdict."""
        verdict = judge(result, self.split, self.facts, self.evidence)
        return result.model_copy(update={"verdict": verdict})
