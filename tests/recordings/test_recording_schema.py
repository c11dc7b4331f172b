"""The published schema and examples: what earlier programs wrote is read, and what is written fits the schema."""

import json
from pathlib import Path

import jsonschema
import pytest
from dc_samples import write_dc_sample
from recording_samples import write_sample
from swept import HookUp, fixture_request, run

from twonode.recordings import RecordingKind, read_any, schema
from twonode.recordings.heads import FORMAT
from twonode.recordings.schema import built_schema, schema_text
from twonode.recordings.verify import VerifiedState, verify_recording

EXAMPLES = Path(schema.__file__).parent / "examples"
EXAMPLE_FOLDERS = sorted(each for each in EXAMPLES.iterdir() if each.is_dir())


def validate(folder):
    """Outside reference: the jsonschema library's own validator."""
    document = json.loads((folder / "data" / "recording.json").read_text(encoding="utf-8"))
    published = json.loads(schema_text(document["format"]))
    kind = jsonschema.validators.validator_for(published)
    kind.check_schema(published)
    kind(published, format_checker=kind.FORMAT_CHECKER).validate(document)
    return document


def test_every_format_has_its_schema_and_an_example_of_every_kind():
    kinds = {folder.name for folder in EXAMPLE_FOLDERS}
    for number in range(1, FORMAT + 1):
        assert json.loads(schema_text(number))["properties"]["format"] == {"const": number}
        assert {f"format-{number}-{kind.value}" for kind in RecordingKind} <= kinds


@pytest.mark.parametrize("folder", EXAMPLE_FOLDERS, ids=lambda each: each.name)
def test_an_example_is_read_verified_and_fits_its_schema(folder):
    recording = read_any(folder)
    assert folder.name == f"format-{recording.header.format}-{recording.header.kind.value}"
    found = verify_recording(folder)
    assert (found.state, found.problems) == (VerifiedState.SOUND, ())
    assert found.rows >= 1
    assert validate(folder)["kind"] == recording.header.kind.value
    assert sum(each.stat().st_size for each in folder.rglob("*")) < 100_000


def test_what_is_written_today_fits_the_schema(tmp_path):
    request = fixture_request(HookUp.SERIES, 10e-9, 100e3, frequencies_hz=(100.0,), samples=600)
    for folder in (run(request, tmp_path).recording, write_sample(tmp_path), write_dc_sample(tmp_path)):
        validate(folder)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"conditions": {"level_vpp": "two"}}, "level_vpp"),
        ({"hookup": "sideways"}, "hookup"),
        ({"title": None}, "title"),
        ({"format": 2}, "format"),
        ({"kind": "dc"}, "meter"),
        ({"instruments": [{"role": "generator"}]}, "instruments"),
    ],
)
def test_the_schema_refuses_what_the_program_refuses(tmp_path, change, where):
    folder = write_sample(tmp_path)
    document = json.loads((folder / "data" / "recording.json").read_text()) | change
    published = json.loads(schema_text())
    with pytest.raises(jsonschema.ValidationError) as caught:
        jsonschema.validate(document, published)
    assert where in str(caught.value)


def outline(document):
    """Names, what is required, and words of enums; the wording of descriptions may differ."""
    return {
        name: (sorted(each.get("properties", {})), sorted(each.get("required", [])), each.get("enum"))
        for name, each in document["$defs"].items()
    }


def test_the_published_schema_is_that_of_the_models():
    made, published = json.loads(built_schema()), json.loads(schema_text())
    assert outline(published) == outline(made), (
        "python -m twonode.recordings.schema > twonode/recordings/schema/recording-1.json"
    )
    assert published["tables"] == made["tables"]
