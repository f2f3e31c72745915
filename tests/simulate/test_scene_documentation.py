"""The page on scene files: its example is a scene, and no key is missing from it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from blursplit.simulate.scene import Scene

PAGE = Path(__file__).parents[2] / "docs" / "scene_file.md"
TEXT = re.search(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)[1]


def keys_of(model: type[BaseModel]) -> set[str]:
    """Return the names of all keys of a record and of the records in it."""
    found = set(model.model_fields)
    for field in model.model_fields.values():
        for part in (field.annotation, *getattr(field.annotation, "__args__", ())):
            if isinstance(part, type) and issubclass(part, BaseModel):
                found |= keys_of(part)
    return found


def test_the_example_is_a_scene() -> None:
    assert Scene.model_validate(tomllib.loads(TEXT)).mode[0].frequency_hz == 9.2


def test_the_mask_in_the_comment_is_one_too() -> None:
    lines = TEXT[TEXT.index("# [mask]") :].splitlines()
    table = tomllib.loads("\n".join(line.removeprefix("# ") for line in lines))
    assert Scene.model_validate(table).mask.split_arcsec == 40.0


@pytest.mark.parametrize("key", sorted(keys_of(Scene)))
def test_every_key_is_named(key: str) -> None:
    assert re.search(rf"\b{key}\b", TEXT), key


def test_values_called_defaults_are_the_defaults() -> None:
    told, plain = tomllib.loads(TEXT), Scene()
    for section in ("telescope", "camera", "tube", "wind_shake"):
        assert told[section] == getattr(plain, section).model_dump()
    assert told["near_air"] == plain.near_air.model_dump(exclude={"r0_m"})
    for section, left_out in (("stars", {"star"}), ("sequence", {"start_utc", "sub_exposures"})):
        expected = getattr(plain, section).model_dump(exclude=left_out)
        assert {k: v for k, v in told[section].items() if k not in left_out} == expected
