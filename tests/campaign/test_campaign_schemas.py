"""Every record that is printed fits the schema that is published for it."""

from __future__ import annotations

import json
from pathlib import Path

from blursplit.campaign import Acceptance, compare, plan
from blursplit.campaign.limits import Limits
from blursplit.rig import Rig, Setup

PUBLISHED = Path(__file__).parents[2] / "docs" / "schemas"


def test_each_record_names_a_published_schema_and_has_its_required_keys(make) -> None:
    optics = {"telescope": {"aperture_m": 0.2}, "camera": {"pixel_scale_arcsec": 0.5}}
    rule = Limits.model_validate({"limits": {"sequence.stars_used": {"at_least": 4}}})
    records = (
        compare([make.result(name="a")], [make.result(name="b")], n_draws=500),
        Acceptance.of([(make.result(), None)], rule),
        plan(Rig.of_setup(Setup.model_validate(optics))),
    )
    for record in records:
        content = json.loads(record.to_json())
        name = content["schema"].removeprefix("blursplit-").split("/")[0]
        schema = json.loads((PUBLISHED / f"{name}.json").read_text(encoding="utf-8"))
        assert set(schema["required"]) <= set(content)
        assert set(content) <= set(schema["properties"])
