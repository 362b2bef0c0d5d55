"""Things in the files that are not the film's picture: they move light levels, and never the verdict.

Every truth here is planted by construction: the HDR release is the SDR picture at 100 cd/m2, relabelled, with one thing added. MaxCLL
of that film alone is 100 cd/m2 before coding and 110 to 145 after it (measured on the clean pair: the codec overshoots).
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from pairdiff import Comparison
from pairdiff._records import Contaminant, Contaminants, PeakMoment
from pairdiff.writeup.words import comparison_in_words
from tests.whole import _contaminated as planted
from tests.whole._films import Floats

pytestmark = pytest.mark.slow

CODED_NITS = (100.0, 150.0)
"""What the film's own 100 cd/m2 may read after coding (own)."""


def parts(result: Comparison) -> tuple[PeakMoment, Contaminants, dict[str, Contaminant]]:
    assert result.hdr_peak is not None
    assert result.contaminants is not None
    return result.hdr_peak, result.contaminants, {one.kind: one for one in result.contaminants.found}


def said(result: Comparison) -> str:
    """What the terminal shows, in one line."""
    return re.sub(r"\s+", " ", comparison_in_words(result, out=Path("out")))


def assert_film_alone(result: Comparison) -> None:
    """The verdict and MaxCLL without what was planted are those of the film."""
    _, contaminants, _ = parts(result)
    assert result.verdict.label == "sdr-in-hdr-container"
    assert contaminants.without_them is not None
    assert contaminants.without_them.label == "sdr-in-hdr-container"
    assert contaminants.without_them.max_cll_nits == pytest.approx(np.mean(CODED_NITS), abs=np.ptp(CODED_NITS) / 2)


@pytest.mark.parametrize("both", [False, True], ids=["only in the HDR release", "in both"])
def test_a_logo_sets_maxcll_and_not_the_verdict(both: bool, tmp_path: Path) -> None:
    logo = planted.logo()
    head = planted.Head([1000.0 * one for one in logo], logo if both else ())
    result = planted.compare_pair(tmp_path, out=tmp_path / "out", head=head)
    peak, contaminants, found = parts(result)
    assert_film_alone(result)
    kind = "logo_or_credits" if both else "unmatched"
    assert kind in peak.causes
    assert "logo_or_credits" in peak.causes
    assert found["logo_or_credits"].treatment == ("left_out" if both else "takes_no_part")
    assert peak.nits is not None
    assert peak.nits >= 1000
    assert peak.frame is not None
    assert peak.frame < len(logo)
    assert found[kind].frames == len(logo)
    assert found[kind].first_s == 0
    assert found[kind].last_s == pytest.approx(len(logo) / planted.RATE, abs=0.01)
    assert re.search(
        r"MaxCLL 1\d{3} cd/m2 comes from a logo or credits at an end of the release(: at| in a passage that only)", said(result)
    )
    assert re.search(r"Without what is not the film's picture MaxCLL is 1[0-4]\d cd/m2", said(result))
    document = json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))
    assert kind in document["hdr_peak"]["causes"]
    assert document["contaminants"]["without_them"]["max_cll_nits"] == contaminants.without_them.max_cll_nits  # type: ignore[union-attr]
    report = re.sub(r"\s+", " ", (tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    assert "Where the highest level comes from" in report
    assert "comes from a" in report


@pytest.mark.parametrize("moves", [False, True], ids=["fixed", "moving"])
def test_one_bright_pixel_in_every_frame_moves_maxcll_alone(moves: bool, tmp_path: Path) -> None:
    def edit(frame: int, light: Floats) -> Floats:
        light = light.copy()
        light[planted.pixel(frame, moves=moves)] = 10_000.0
        return light

    result = planted.compare_pair(tmp_path, hdr_edit=edit)
    peak, _, found = parts(result)
    assert_film_alone(result)
    assert peak.nits == pytest.approx(10_000, rel=0.01)
    assert peak.causes == ("speck",)
    assert peak.area_pixels is not None
    assert peak.area_pixels <= 16
    assert (peak.row, peak.column) == planted.pixel(peak.frame or 0, moves=moves)
    assert found["speck"].treatment == "named_only"
    assert re.search(r"MaxCLL 10000 cd/m2 comes from (one pixel|\d+ pixels)", said(result))


def test_a_flash_of_one_frame_is_left_out_and_named_with_its_time(tmp_path: Path) -> None:
    result = planted.compare_pair(tmp_path, hdr_edit=lambda frame, light: light + 1200.0 if frame == 67 else light)
    peak, contaminants, found = parts(result)
    assert_film_alone(result)
    assert (peak.frame, peak.lasts_frames, peak.frames_reaching) == (67, 1, 1)
    assert peak.causes[0] == "flash"
    assert peak.time_s == pytest.approx(67 / planted.RATE, abs=0.01)
    assert (found["flash"].frames, found["flash"].treatment) == (1, "left_out")
    assert contaminants.with_them is not None
    assert contaminants.without_them is not None
    assert contaminants.with_them.max_fall_nits is not None
    assert contaminants.with_them.max_fall_nits > 1000
    assert contaminants.without_them.max_fall_nits is not None
    assert contaminants.without_them.max_fall_nits < 50
    assert "comes from a flash that the SDR release does not show in a single frame: at 0:00:02.79" in said(result)


@pytest.mark.parametrize("sdr_level", [None, 0.9], ids=["only in the HDR release", "in both"])
def test_subtitles_are_masked_on_both_sides(sdr_level: float | None, tmp_path: Path) -> None:
    sdr_edit = None if sdr_level is None else planted.subtitles(sdr_level)
    result = planted.compare_pair(tmp_path, hdr_edit=planted.subtitles(500.0), sdr_edit=sdr_edit)
    peak, contaminants, found = parts(result)
    assert_film_alone(result)
    assert "subtitle" in peak.causes
    assert found["subtitle"].treatment == "masked"
    assert found["subtitle"].level_nits == pytest.approx(500, rel=0.05)
    titled = sum((pair.hdr_frame // 16) % 3 == 1 for pair in result.pairs)
    assert found["subtitle"].pictures == titled  # every scored picture with a line of text, and no other
    before, after = contaminants.with_them, contaminants.without_them
    assert before is not None
    assert after is not None
    assert before.label != after.label  # with them the label would be another: that is what the masks are for
    assert before.headroom_stops is not None
    assert before.headroom_stops > 1
    assert after.headroom_stops is not None
    assert abs(after.headroom_stops) < 0.1
    assert after.preference_loss is not None
    assert after.preference_loss < 0.06  # the clean pair has 0.03
    assert "comes from" in said(result)
    assert "words laid over the picture" in said(result)


def test_a_film_that_touches_330_for_moments_is_an_sdr_picture_and_the_moments_are_named(tmp_path: Path) -> None:
    """Frame peaks below about 200 cd/m2, a logo and one brief shot at 330 (common practice, no source): the SDR picture, shot by shot."""
    logo = planted.logo()
    brief = range(70, 73)

    def edit(frame: int, light: Floats) -> Floats:
        return light * (330.0 if frame in brief else 190.0) / planted.WHITE_NITS

    result = planted.compare_pair(tmp_path, head=planted.Head([330.0 * one for one in logo], logo), hdr_edit=edit)
    peak, _, found = parts(result)
    assert result.verdict.label == "sdr-in-hdr-container"
    assert "logo_or_credits" in peak.causes
    assert found["logo_or_credits"].treatment == "left_out"
    first, *rest = peak.passages
    assert (first.start, first.causes) == (pytest.approx(0, abs=2), ("logo_or_credits",))
    assert all(one.nits < 1.25 * 330 for one in rest)  # a codec's overshoot beside; the next moment of the film is the brief shot
    assert peak.film_frame is not None
    assert peak.film_frame - len(logo) in brief
    assert peak.usual_nits is not None
    assert peak.usual_nits < 250
    assert "comes from a logo" in said(result)
    assert re.search(r"Without what is not the film's picture MaxCLL is 3\d\d cd/m2, at 0:00:03\.[67]", said(result))


def test_a_clean_pair_has_nothing_found_and_the_same_figures_with_and_without(tmp_path: Path) -> None:
    result = planted.compare_pair(tmp_path)
    peak, contaminants, found = parts(result)
    assert_film_alone(result)
    assert found == {}
    assert peak.causes == ()
    assert contaminants.with_them == contaminants.without_them
    assert contaminants.with_them is not None
    assert contaminants.with_them.preference_loss == result.difference.on_its_own.preference_loss.value
    assert "comes from" not in said(result)
