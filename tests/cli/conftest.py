"""What the tests of several commands need."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    from blursplit.result import Result


@pytest.fixture
def sealed() -> Callable[[Result], str]:
    """Return a function that gives the text of a record with its digest, as `measure` writes it."""

    def seal(result: Result) -> str:
        bare = result.model_copy(update={"digest": ""}).to_json()
        own = hashlib.sha256(bare.encode()).hexdigest()
        return result.model_copy(update={"digest": own}).to_json()

    return seal
