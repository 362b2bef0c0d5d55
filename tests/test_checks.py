import tempfile

import pytest

from pairdiff._checks import check_output, read_length_s
from pairdiff._errors import OutputRefused, UsageError


def test_a_writable_place_passes_and_nothing_is_made(tmp_path):
    check_output(tmp_path)
    check_output(tmp_path / "new" / "deeper")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("below", ["", "deeper"])
def test_a_file_in_the_way_is_refused(tmp_path, below):
    (tmp_path / "taken").write_text("x")
    with pytest.raises(OutputRefused, match=r"taken is not a folder.*--out"):
        check_output(tmp_path / "taken" / below)


def test_a_link_to_nowhere_is_refused(tmp_path):
    (tmp_path / "link").symlink_to(tmp_path / "gone")
    with pytest.raises(OutputRefused, match="link is not a folder"):
        check_output(tmp_path / "link")


def test_a_name_no_file_system_takes_is_refused(tmp_path):
    with pytest.raises(OutputRefused, match=r"Cannot write to .*: File name too long\. Name another folder with --out\.$"):
        check_output(tmp_path / ("x" * 300))


def test_a_folder_that_takes_no_files_is_refused(tmp_path, monkeypatch):
    def refuse(**place):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "TemporaryFile", refuse)
    with pytest.raises(OutputRefused, match=r"Permission denied\. Name another folder with --out\.$") as refused:
        check_output(tmp_path)
    assert refused.value.exit_code == 5


@pytest.mark.parametrize(("text", "seconds"), [("90s", 90), ("90", 90), ("5m", 300), (" 1.5 min ", 90)])
def test_a_length_of_time_is_read_in_seconds(text, seconds):
    assert read_length_s(text) == seconds


@pytest.mark.parametrize("text", ["", "0s", "-1m", "soon", "5h"])
def test_what_is_no_length_of_time_is_refused(text):
    with pytest.raises(UsageError, match=r"--budget: found .*, expected a length of time above zero"):
        read_length_s(text)
