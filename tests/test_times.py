"""What --anchor and --only may say."""

from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import pairdiff
from pairdiff import Settings
from pairdiff._errors import UsageError
from pairdiff._pipeline import _anchor_notes, _bears_out, _elsewhere_notes, check_within, read_anchors, read_span
from pairdiff.match.timeline import Elsewhere, find_edit_map
from tests.match._drift import HDR_TRACK
from tests.small_clips import make_pair_with_other_heads


def test_anchors_are_pairs_of_times_or_frames():
    assert read_anchors("0:01:00=0:00:52, f10=f34") == ((Fraction(60), Fraction(52)), (10, 34))
    assert read_anchors(None) == ()


@pytest.mark.parametrize("text", ["0:01:00", "a=b=c", "1=2,3"])
def test_an_anchor_that_is_no_pair_is_refused(text):
    with pytest.raises(UsageError, match=r"--anchor: found .*expected HDR_TIME=SDR_TIME"):
        read_anchors(text)


def test_a_span_is_two_times():
    assert read_span("0:10:00-0:20:00.5") == (Fraction(600), Fraction("1200.5"))
    assert read_span(None) is None


@pytest.mark.parametrize(
    ("text", "words"), [("0:10:00", "expected START-END"), ("20-10", "not after its start"), ("f5-f5", "not after its start")]
)
def test_a_span_that_is_none_is_refused(text, words):
    with pytest.raises(UsageError, match=words):
        read_span(text)


def test_a_passage_shown_elsewhere_is_named_with_the_times_of_both_releases():
    hdr_times, sdr_times = ([Fraction(n, rate) for n in range(300)] for rate in (24, 25))
    found = SimpleNamespace(elsewhere=(Elsewhere(120, 240, 25, 145), Elsewhere(280, 300, 0, 20)))
    assert _elsewhere_notes(found, hdr_times, sdr_times) == [
        "The HDR release's 0:00:05.000 to 0:00:10.000 has no partner in the order of the film; "
        "the SDR release shows it at 0:00:01.000 to 0:00:05.800.",
        "The HDR release's 0:00:11.667 to 0:00:12.500 has no partner in the order of the film; "
        "the SDR release shows it at 0:00:00.000 to 0:00:00.800.",
    ]
    assert _elsewhere_notes(SimpleNamespace(elsewhere=()), hdr_times, sdr_times) == []


def test_a_moment_after_the_end_of_a_release_is_refused_and_one_at_its_end_is_not():
    times = [Fraction(n, 24) for n in range(120)]
    check_within(times, Fraction(5), option="--only", side="HDR")
    check_within(times, 119, option="--only", side="HDR")
    told = r"--anchor: 0:01:00\.000 lies after the end of the SDR release: its last frame is f119 at 0:00:04\."
    with pytest.raises(UsageError, match=told):
        check_within(times, Fraction(60), option="--anchor", side="SDR")
    with pytest.raises(UsageError, match=r"--only: f120 lies after the end of the HDR release.*Give a moment within the release\."):
        check_within(times, 120, option="--only", side="HDR")


def test_an_anchor_that_the_pictures_contradict_is_told() -> None:
    edit_map = find_edit_map(HDR_TRACK, HDR_TRACK)
    times = [Fraction(n, 24) for n in range(len(HDR_TRACK))]
    assert _bears_out(edit_map, (60, 60))
    assert _bears_out(edit_map, (60, 75))
    assert not _bears_out(edit_map, (60, 150))
    (note,) = _anchor_notes([(60, 150)], times, times)
    assert "The anchor 0:00:02.500=0:00:06.250 is not borne out by the pictures" in note


def test_after_a_refuted_anchor_the_map_is_made_without_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pair, pins = make_pair_with_other_heads(tmp_path), []

    def watched(*tracks: Any, **given: Any) -> Any:
        pins.append(list(given["pins"]))
        return find_edit_map(*tracks, **given)

    monkeypatch.setattr("pairdiff._pipeline.find_edit_map", watched)
    found = pairdiff.align(pair.hdr, pair.sdr, settings=Settings(anchor="f28=f75,f40=f40"))
    assert pins[0] == [(28, 75), (40, 40)]
    assert pins[-1] == [(40, 40)]
    assert ["is not borne out" in one for one in found.notes].count(True) == 1
