"""The same light on both sides through real encoders: what codecs do to a picture must not count as range."""

from __future__ import annotations

from pathlib import Path

import pytest

from pairdiff.score.notice import notice_probability
from tests.bench import null_pairs

CASES = {case.name: case for case in null_pairs.CASES}


@pytest.mark.parametrize(
    ("picture", "case"),
    [
        ("astronaut", "crf 28 both"),
        pytest.param("moor", "crf 28 both", marks=pytest.mark.slow),  # dark: the codec wipes its fine contrast, its sky is clear
        pytest.param("moor", "crf 14 against 28", marks=pytest.mark.slow),
        pytest.param("quay", "crf 28 both", marks=pytest.mark.slow),  # the codec drops its colour in places
        pytest.param("cabin", "crf 28 against 14", marks=pytest.mark.slow),
    ],
)
def test_a_coarsely_encoded_relabelled_picture_loses_next_to_nothing_in_every_frame(picture: str, case: str, tmp_path: Path) -> None:
    (source,) = null_pairs.sources([picture])
    found = null_pairs.score_case(source, null_pairs.Releases(source, tmp_path), CASES[case])
    assert len(found.null) == null_pairs.FRAMES
    assert found.worst.jod <= 0.15  # (own: the limit of the definition)
    assert notice_probability(found.worst.jod) <= 0.54


def test_a_relabelled_picture_is_the_same_on_every_display_before_coding() -> None:
    displays = null_pairs.Displays()
    displays.add(null_pairs.photograph_source("coffee"))
    assert {name for name, _ in displays.worst} == set(null_pairs.PRESETS)
    assert {lux for _, lux in displays.worst} == {0.0, null_pairs.LIT_ROOM_LUX}
    for found in displays.worst.values():
        assert found["planted"][0] < 0.01
        assert found["fitted"][0] < 0.5  # dE_ITP (own: the limit of the definition)
