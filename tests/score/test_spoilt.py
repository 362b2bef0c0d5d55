"""Frames that one release shows otherwise in the middle of a shot: planted in fingerprints that drift as a moving picture's do."""

import dataclasses

import numpy as np
import pytest

from pairdiff.score.spoilt import Pairing, find_spoilt

FRAMES, CELLS, CUT, SECOND_CUT = 120, 576, 60, 90
RNG = np.random.default_rng(3)


def unit(rows):
    return rows / np.linalg.norm(rows, axis=1, keepdims=True)


def drift(start, stop):
    """Fingerprints of one shot: two fields mixed in turn, so that neighbours are alike."""
    first, second = RNG.normal(size=(2, CELLS))
    turn = np.linspace(0, 1.2, stop - start)[:, None]
    return np.cos(turn) * first + np.sin(turn) * second


FILM = unit(np.concatenate([drift(0, CUT), drift(CUT, SECOND_CUT), drift(SECOND_CUT, FRAMES)]))
NOISE = unit(RNG.normal(size=(FRAMES, CELLS)))


def pair(*, hdr=(), sdr=(), lost=(), share=0.0, path=None):
    """A film against itself with a little noise; in some frames of a release something else, `lost` ones without a partner."""
    prints = {}
    for number, (name, frames) in enumerate((("hdr", hdr), ("sdr", sdr))):
        own = FILM + 0.08 * np.roll(NOISE, 7 + number, axis=0)
        for frame in frames:
            own[frame] = share * FILM[frame] + (1 - share) * NOISE[frame]
        prints[name] = unit(own).astype(np.float32)
    path = np.arange(FRAMES) if path is None else path
    similarity = np.where(path >= 0, np.einsum("ij,ij->i", prints["hdr"], prints["sdr"][path]), np.nan)
    matched = np.ones(FRAMES, bool)
    matched[list(lost)] = False
    return Pairing(similarity, path, matched & (path >= 0), np.ones(FRAMES, bool), prints["hdr"], prints["sdr"])


def told(pairing, **faults):
    return {side: np.flatnonzero(mask).tolist() for side, mask in find_spoilt(pairing, **faults).items() if mask.any()}


def test_a_film_without_damage_has_none_and_a_cut_is_no_damage():
    assert told(pair()) == {}


@pytest.mark.parametrize("side", ["hdr", "sdr"])
def test_frames_that_show_something_else_in_mid_shot_belong_to_the_release_that_breaks(side):
    assert told(pair(**{side: range(30, 34)}, lost=range(30, 34))) == {side: [30, 31, 32, 33]}


def test_what_is_smeared_behind_them_until_the_key_frame_counts_as_well():
    pairing = pair(hdr=range(30, 33), lost=range(30, 33))
    smeared = pairing.hdr_prints.copy()
    smeared[33:40] = unit(0.85 * smeared[33:40] + 0.15 * 3 * NOISE[33:40])
    similarity = np.einsum("ij,ij->i", smeared, pairing.sdr_prints)
    assert told(dataclasses.replace(pairing, hdr_prints=smeared, similarity=similarity)) == {"hdr": list(range(30, 40))}


def test_a_shot_that_was_replaced_begins_and_ends_with_a_cut_in_both_and_is_no_damage():
    pairing = pair(lost=range(CUT, SECOND_CUT))
    other = pairing.hdr_prints.copy()
    other[CUT:SECOND_CUT] = unit(drift(CUT, SECOND_CUT))
    shot = dataclasses.replace(pairing, hdr_prints=other, similarity=np.einsum("ij,ij->i", other, pairing.sdr_prints))
    assert told(shot) == {}
    late = pair(lost=range(CUT + 5, SECOND_CUT))  # the same from mid-shot on
    other = late.hdr_prints.copy()
    other[CUT + 5 : SECOND_CUT] = unit(drift(CUT + 5, SECOND_CUT))
    assert told(dataclasses.replace(late, hdr_prints=other, similarity=np.einsum("ij,ij->i", other, late.sdr_prints))) != {}


def test_frames_that_only_one_release_has_are_longer_shots_and_no_damage():
    path = np.arange(FRAMES)
    path[30:40] = -1
    path[40:] -= 10
    assert told(pair(path=path, lost=range(30, 40))) == {}


def test_matched_frames_that_differ_are_no_damage_unless_a_decoder_met_a_fault_there():
    words = pair(hdr=range(30, 40), share=0.8)  # as words that one release alone has
    assert told(words) == {}
    assert told(words, hdr_faults=[28]) == {"hdr": list(range(30, 40))}
    assert told(words, sdr_faults=[41]) == {"sdr": list(range(30, 40))}
    assert told(words, hdr_faults=[115]) == {}


def test_a_dark_passage_is_not_called_damage():
    dark = pair(hdr=range(30, 34), lost=range(30, 34))
    assert told(dataclasses.replace(dark, lit=np.zeros(FRAMES, bool))) == {}


def test_sound_frames_between_spoilt_ones_do_not_part_them_unless_they_are_many():
    assert told(pair(hdr=[30, 31, 35, 36], lost=[30, 31, 35, 36])) == {"hdr": list(range(30, 37))}
    assert told(pair(hdr=[30, 31, 36, 37], lost=[30, 31, 36, 37])) == {"hdr": [30, 31, 36, 37]}


def test_what_lasts_longer_than_key_frames_lie_apart_is_no_damage(monkeypatch):
    spoilt = pair(hdr=range(30, 45), lost=range(30, 45))
    assert told(spoilt) == {"hdr": list(range(30, 45))}
    monkeypatch.setattr("pairdiff.score.spoilt.LONGEST_FRAMES", 14)
    assert told(spoilt) == {}
