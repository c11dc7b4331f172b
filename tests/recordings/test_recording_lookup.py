"""A recording is found by a path or by enough of its name."""

import pytest

from twonode.recordings.errors import NotARecording
from twonode.recordings.lookup import named_folder

NAMES = (
    "2031-04-09T18-20-11Z_wrenfield-46_C7",
    "2031-04-09T18-40-00Z_wrenfield-46_C7",
    "2031-04-10T09-00-00Z_wrenfield-46_C11",
)


@pytest.fixture
def archive(tmp_path):
    for name in (*NAMES, "2031-04-11T09-00-00Z_x_C9.unfinished", ".hidden_C9"):
        (tmp_path / name).mkdir()
    return tmp_path


@pytest.mark.parametrize(
    ("text", "place"), [(NAMES[0], 0), ("2031-04-09T18-40", 1), ("c11", 2), ("2031-04-10", 2)]
)
def test_enough_of_a_name_finds_it(archive, text, place):
    assert named_folder(text, archive) == archive / NAMES[place]


def test_a_path_is_taken_as_it_is(archive, tmp_path):
    assert named_folder(str(archive / NAMES[1]), tmp_path / "elsewhere") == archive / NAMES[1]


@pytest.mark.parametrize("text", ["C99", "", "nothing", "/no/such/folder", "2032"])
def test_what_is_not_there_is_said(archive, text):
    with pytest.raises(NotARecording, match="no recording"):
        named_folder(text, archive)


def test_one_that_was_never_closed_is_said_to_be_so_and_found_where_it_may_be_meant(archive):
    name = "2031-04-11T09-00-00Z_x_C9.unfinished"
    for text in ("c9", name, str(archive / name)):
        with pytest.raises(NotARecording, match="never closed") as caught:
            named_folder(text, archive)
        assert f"--continue {archive / name}" in caught.value.do
        assert named_folder(text, archive, unfinished=True) == archive / name
    (archive / name.removesuffix(".unfinished")).mkdir()
    assert named_folder(name.removesuffix(".unfinished"), archive, unfinished=True).name in name
    assert named_folder("C9", archive).suffix == ""


def test_a_name_that_fits_several_names_them(archive):
    with pytest.raises(NotARecording, match="fits 2 recordings") as caught:
        named_folder("C7", archive)
    assert NAMES[0] in str(caught.value)
