import csv
import io
from pathlib import Path

import numpy as np
import opentimelineio as otio
import pytest

from pairdiff._errors import OutputRefused
from pairdiff._records import Alignment, Segment
from pairdiff.writeup.edit_list import build_timeline, draw_edit_map, edit_map_to_csv, write_edit_map
from pairdiff.writeup.phrases import say_time

SEGMENTS = (
    Segment("hdr_only", 0, 24, None, None, None, None),
    Segment("sdr_only", None, None, 0, 50, None, None),
    Segment("matched", 24, 240, 50, 266, 0.96, 0.97),
    Segment("undetermined", 240, 264, 266, 290, 0.96, 0.5),
)


def alignment(segments=SEGMENTS):
    times = {"hdr_times_s": np.arange(264) / 24, "sdr_times_s": np.round(np.arange(290) / 25, 3)}
    return Alignment(0.8, 26, 0.9, 0.1, segments, (), ((24, 240),), (), **times)


@pytest.mark.parametrize(("seconds", "text"), [(0, "0:00:00.000"), (3723.5, "1:02:03.500"), (59.9996, "0:01:00.000")])
def test_times_are_written_as_film_time(seconds, text):
    assert say_time(seconds) == text


def test_the_drawing_shows_both_releases_on_one_scale_and_every_segment():
    lines = draw_edit_map(alignment(), columns=58).splitlines()
    bars = [line.split("  ")[2] for line in lines[:2]]
    assert len(bars[1]) == 58
    assert len(bars[0]) == pytest.approx(58 * 11.0 / 11.6, abs=1)
    assert bars[0][0] == bars[1][0] == "·"
    assert bars[0][20] == bars[1][30] == "█"
    assert bars[0][-1] == bars[1][-1] == "▒"
    assert len(lines) == 4
    assert lines[2].strip().startswith("0")
    assert lines[2].endswith("0:00:11.600")


def test_a_segment_of_one_frame_is_drawn():
    short = (
        Segment("matched", 0, 130, 0, 130, 1.0, 1.0),
        Segment("hdr_only", 130, 131, None, None, None, None),
        Segment("matched", 131, 264, 130, 263, 1.0, 1.0),
    )
    assert "·" in draw_edit_map(alignment(short), columns=40).splitlines()[0]


def test_the_table_holds_frames_and_times_and_leaves_empty_what_is_not_there():
    rows = list(csv.DictReader(io.StringIO(edit_map_to_csv(alignment()))))
    assert [row["kind"] for row in rows] == ["hdr_only", "sdr_only", "matched", "undetermined"]
    assert rows[0]["sdr_start"] == rows[0]["sdr_start_s"] == rows[0]["speed"] == ""
    assert (rows[2]["hdr_start"], rows[2]["hdr_stop"], rows[2]["sdr_start"], rows[2]["sdr_stop"]) == ("24", "240", "50", "266")
    assert float(rows[2]["hdr_start_s"]) == 1.0
    assert float(rows[3]["sdr_stop_s"]) == pytest.approx(11.6, abs=1e-3)


def test_an_editor_opens_the_timeline_and_finds_matched_passages_side_by_side(tmp_path):
    write_edit_map(alignment(), tmp_path, hdr=Path("hdr.mkv"), sdr=Path("sdr.mkv"))
    read = otio.adapters.read_from_file(str(tmp_path / "edit_map.otio"))
    assert read.is_equivalent_to(build_timeline(alignment(), hdr=Path("hdr.mkv"), sdr=Path("sdr.mkv")))
    tracks = {track.name: track for track in read.tracks}
    starts = {}
    for name, track in tracks.items():
        clip = next(item for item in track.find_clips() if item.metadata["pairdiff"]["kind"] == "matched")
        starts[name] = clip.range_in_parent().start_time.to_seconds()
        assert clip.source_range.start_time.value == {"HDR": 24, "SDR": 50}[name]
        assert clip.source_range.duration.value == 216
        assert clip.source_range.start_time.rate == {"HDR": 24.0, "SDR": 25.0}[name]
        assert clip.media_reference.target_url.endswith({"HDR": "hdr.mkv", "SDR": "sdr.mkv"}[name])
    assert starts["HDR"] == pytest.approx(starts["SDR"], abs=1 / 24)
    assert (tmp_path / "edit_map.csv").read_text(encoding="utf-8") == edit_map_to_csv(alignment())


def test_rounded_time_stamps_of_ntsc_film_give_its_rate():
    times = np.round(np.arange(2000) * 1001 / 24000, 3)
    made = Alignment(1.0, 0, 1.0, 0.0, (Segment("matched", 0, 2000, 0, 2000, 1.0, 1.0),), (), (), (), hdr_times_s=times, sdr_times_s=times)
    clip = next(iter(build_timeline(made, hdr=Path("a"), sdr=Path("b")).tracks[0].find_clips()))
    assert clip.source_range.start_time.rate == pytest.approx(24000 / 1001, abs=1e-9)


def test_a_folder_that_cannot_be_written_is_refused(tmp_path):
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputRefused, match=r"edit map cannot be written.*--out"):
        write_edit_map(alignment(), tmp_path / "taken", hdr=Path("a"), sdr=Path("b"))
