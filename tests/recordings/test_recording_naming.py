"""Folder names that every file system takes."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recording_samples import CREATED, write_sample

from twonode.recordings import read_recording
from twonode.recordings.naming import is_recording_name, recording_name, slug


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Wrenfield 46", "Wrenfield-46"),
        ("Wrenfield 46 / März", "Wrenfield-46-Marz"),
        ("../../etc", "etc"),
        ("C:\\CON", "C-CON"),
        ("📻", ""),
        ("a" * 300, "a" * 40),
        ("", ""),
    ],
)
def test_a_slug_keeps_letters_digits_and_hyphens(text, expected):
    assert slug(text) == expected


@settings(max_examples=200, deadline=None)
@given(st.none() | st.text(max_size=300), st.none() | st.text(max_size=300))
def test_any_tag_gives_a_safe_name(set_name, part):
    # Windows forbids <>:"/\\|?* and a final dot or space; 255 bytes are the usual limit of a name.
    name = recording_name(CREATED, set_name=set_name, part=part)
    assert re.fullmatch(r"2031-04-09T18-20-11Z(_[A-Za-z0-9-]+){0,2}", name)
    assert len(name) < 120
    assert is_recording_name(name)


def test_unusual_tags_are_kept_in_full_inside(tmp_path):
    tags = {"set": "📻/" + "x" * 300, "owner's note": 'a "quoted", line\nand another'}
    folder = write_sample(tmp_path, tags=tags)
    assert folder.parent == tmp_path
    assert read_recording(folder).header.tags == tags
