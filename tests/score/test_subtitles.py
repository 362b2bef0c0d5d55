"""Words over the picture, drawn by another library's font; lamps and windows that look much like them and are the film's own."""

import cv2
import numpy as np
import pytest

from pairdiff.score import subtitles as s

ROWS, COLUMNS = 180, 320
TEXTS = ("We sailed at dawn", "Nobody saw the light", "Come back on Sunday", "The orchard is made", "Leave the gate open")
SHOTS, SHOT_FRAMES, WAIT = 6, 24, 8


def letters(text, *, row=160):
    mask = np.zeros((ROWS, COLUMNS), np.uint8)
    (width, _), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 0.55, 2)
    cv2.putText(mask, text, ((COLUMNS - width) // 2, row), cv2.FONT_HERSHEY_SIMPLEX, 0.55, 255, 2, cv2.LINE_AA)
    return mask / np.float32(255)


def ground(frame, *, moves=True):
    """Clouds of up to about 100 cd/m2, others in every shot; they drift two pixels a frame."""
    noise = np.random.default_rng(frame // SHOT_FRAMES).normal(size=(ROWS, COLUMNS + 60)).astype(np.float32)
    clouds = cv2.GaussianBlur(noise, (0, 0), 7) + 0.2 * cv2.GaussianBlur(noise, (0, 0), 2)
    shift = 2 * (frame % SHOT_FRAMES) if moves else 0
    return np.clip(0.45 + 0.24 * clouds / clouds.std(), 0.02, 1)[:, shift : shift + COLUMNS] ** 2.4 * 100


def over(frame, mask, nits=500.0):
    return (ground(frame) * (1 - mask) + nits * mask).astype(np.float32)


def look(draw):
    """What the finder makes of a film that `draw` gives frame by frame."""
    finder, last = s.WordFinder(), SHOTS * SHOT_FRAMES - 1
    for frame in range(3, last, 6):
        beside = [draw(max(frame - WAIT, 0)), draw(min(frame + WAIT, last))]
        finder.add(draw(frame), beside, frame=frame, shot=frame // SHOT_FRAMES)
    return finder.result()


def subtitled(frame, *, nits=500.0, row=160):
    """A subtitle of two thirds of a second in every second, each another one."""
    number, place = divmod(frame, SHOT_FRAMES)
    return over(frame, letters(TEXTS[number % len(TEXTS)], row=row), nits) if place >= WAIT else ground(frame).astype(np.float32)


@pytest.mark.parametrize("nits", [90.0, 203.0, 500.0])
def test_subtitles_are_found_with_their_level(nits):
    found = look(lambda frame: subtitled(frame, nits=nits))
    assert found is not None
    assert found.level == pytest.approx(nits, rel=0.03)
    assert (found.low, found.high) == (True, False)


def test_words_at_the_head_of_the_picture_are_found_there():
    found = look(lambda frame: subtitled(frame, row=30))
    assert found is not None
    assert (found.low, found.high) == (False, True)


def test_a_film_without_words_has_none():
    assert look(lambda frame: ground(frame).astype(np.float32)) is None


def lamps(frame, *, moves):
    """Rows of small bright windows at one level: in every second shot, at the same places."""
    mask = np.zeros((ROWS, COLUMNS), np.float32)
    shift = 2 * (frame % SHOT_FRAMES) if moves else 0
    for column in range(60, 260, 14):
        mask[150:160, column + shift - 30 : column + shift - 26] = 1
    return mask


def test_windows_that_move_with_the_picture_are_no_words():
    assert look(lambda frame: over(frame, lamps(frame, moves=True))) is None


def test_windows_in_a_picture_that_stands_still_are_no_words():
    def draw(frame):
        mask = lamps(frame, moves=False)
        return (ground(frame, moves=False) * (1 - mask) + 500 * mask).astype(np.float32)

    def within_shots(frame):  # a cut changes everything, so neighbours stay in the shot
        first = frame - frame % SHOT_FRAMES
        return [draw(min(max(other, first), first + SHOT_FRAMES - 1)) for other in (frame - WAIT, frame + WAIT)]

    finder = s.WordFinder()
    for frame in range(3, SHOTS * SHOT_FRAMES, 6):
        finder.add(draw(frame), within_shots(frame), frame=frame, shot=frame // SHOT_FRAMES)
    assert finder.result() is None


def test_a_row_of_lamps_at_the_same_place_each_time_is_no_subtitle():
    assert look(lambda frame: over(frame, lamps(frame, moves=False)) if (frame // SHOT_FRAMES) % 2 else ground(frame)) is None


def test_one_line_seen_in_one_shot_is_too_little():
    assert look(lambda frame: subtitled(frame) if frame // SHOT_FRAMES == 2 else ground(frame).astype(np.float32)) is None


def test_two_different_lines_are_too_few():
    assert look(lambda frame: subtitled(frame) if frame // SHOT_FRAMES in (2, 3) else ground(frame).astype(np.float32)) is None


def test_words_that_only_one_shot_shows_are_too_little_whatever_they_say():
    finder = s.WordFinder()
    for frame in range(3, SHOTS * SHOT_FRAMES - 1, 6):
        finder.add(subtitled(frame), [subtitled(max(frame - WAIT, 0)), subtitled(frame + WAIT)], frame=frame, shot=0)
    assert finder.result() is None


def test_words_over_a_picture_that_stands_still_may_belong_to_it():
    finder = s.WordFinder()
    for frame in range(3, SHOTS * SHOT_FRAMES, 6):
        shot = frame // SHOT_FRAMES
        mask = letters(TEXTS[shot % len(TEXTS)]) if frame % SHOT_FRAMES >= WAIT else np.zeros((ROWS, COLUMNS), np.float32)
        picture = (20 * (1 - mask) + 500 * mask).astype(np.float32)
        finder.add(picture, [picture], frame=frame, shot=shot)
    assert finder.result() is None


def test_a_sign_that_glides_slowly_through_its_shot_belongs_to_the_scene():
    # as in a street of shops: bright lettering in shots 1, 2 and 4, each at its own height, a pixel aside in half a second
    def street(frame):
        shot, place = divmod(frame, SHOT_FRAMES)
        if shot not in (1, 2, 4):
            return ground(frame).astype(np.float32)
        return over(frame, np.roll(letters(TEXTS[shot], row=130 + 10 * shot), place // 12, axis=1), 500.0)

    assert look(street) is None


def test_the_picture_around_a_line_is_looked_at_and_not_the_line_s_own_box_alone():
    mask = letters(TEXTS[0])
    line = mask > 0.9
    rows, columns = np.flatnonzero(line.any(axis=1)), np.flatnonzero(line.any(axis=0))
    first = (20 * (1 - line) + 500 * line).astype(np.float32)
    moved = np.full((ROWS, COLUMNS), 30, np.float32)
    box = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    moved[box] = first[box]
    assert s._still_lines(first, moved, [line]) is not None
    assert s._still_lines(first, first, [line]) is None


def test_the_same_sign_in_two_shots_and_one_stray_line_are_no_subtitles():
    assert (
        look(
            lambda frame: (
                subtitled(frame)
                if frame // SHOT_FRAMES in (1, 4)
                else subtitled(frame, row=140)
                if frame // SHOT_FRAMES == 2
                else ground(frame)
            )
        )
        is None
    )


def test_filling_never_makes_light_below_what_the_picture_has():
    picture = np.random.default_rng(8).random((90, 160, 3), dtype=np.float32) ** 6 * 1000
    picture[:, 80:] = 0
    mask = np.zeros((90, 160), bool)
    mask[30:60, 60:100] = True
    assert s.fill_in(picture, mask).min() >= 0


def test_the_mask_covers_the_letters_and_little_else():
    known = s.WordLevel(500.0, 3, True, False)
    for number, text in enumerate(TEXTS):
        mask = s.mask_words(over(24 * number + 5, letters(text)), known)
        assert mask is not None
        assert mask[letters(text) > 0.3].all()
        assert mask.mean() < 0.06
        assert not mask[: ROWS // 2].any()


def test_nothing_is_masked_where_no_words_stand_or_at_another_level():
    known = s.WordLevel(500.0, 3, True, False)
    assert s.mask_words(ground(5).astype(np.float32), known) is None
    assert s.mask_words(over(5, letters(TEXTS[0]), 250.0), known) is None
    assert s.mask_words(over(5, letters(TEXTS[0], row=30)), known) is None
    assert s.mask_words(over(5, letters(TEXTS[0])), s.WordLevel(500.0, 3, False, True)) is None


def test_filling_takes_the_picture_around_and_leaves_the_rest():
    picture = np.full((60, 80, 3), 30.0, np.float32)
    mask = np.zeros((60, 80), bool)
    mask[20:40, 10:70] = True
    marked = picture.copy()
    marked[mask] = 900.0
    assert s.fill_in(marked, mask) == pytest.approx(picture, rel=1e-4)
    ramp = np.tile(np.linspace(1, 9, 80, dtype=np.float32)[None, :, None], (60, 1, 3))
    filled = s.fill_in(ramp, mask)
    assert (filled[~mask] == ramp[~mask]).all()
    assert np.abs(filled - ramp).max() < 1.0


def test_a_row_of_windows_that_moved_on_by_one_window_is_seen_through_halfway():
    """Windows 16 pixels apart in a picture that moves two a frame: eight frames later they lie where others were."""

    def draw(frame):
        mask = np.zeros((ROWS, COLUMNS), np.float32)
        for column in range(30, 300, 2 * WAIT):
            left = column + 3 * (frame // SHOT_FRAMES) - 2 * (frame % SHOT_FRAMES)
            mask[148:158, max(left, 0) : max(left + 6, 0)] = 1
        return over(frame, mask)

    def finder(*, halfway):
        made = s.WordFinder()
        for frame in range(WAIT + 2, SHOTS * SHOT_FRAMES, SHOT_FRAMES):
            near = [lambda frame=frame: draw(frame - 5), lambda frame=frame: draw(frame + 5)] if halfway else []
            made.add(draw(frame), [draw(frame - WAIT), draw(frame + WAIT)], frame=frame, shot=frame // SHOT_FRAMES, between=near)
            made.add(ground(frame).astype(np.float32), [], frame=frame, shot=frame // SHOT_FRAMES)  # they are not in every frame
        return made.result()

    assert finder(halfway=False) is not None  # what the frame between is for
    assert finder(halfway=True) is None


@pytest.mark.parametrize("kind", ["one text", "other texts", "standing"])
def test_a_sign_that_comes_again_is_part_of_the_scene(kind):
    """In every second shot: it moves with the picture, or stands where it always stands, as a place that the film comes back to."""

    def draw(frame):
        number, place = divmod(frame, SHOT_FRAMES)
        if number % 2 == 0:
            return ground(frame).astype(np.float32)
        mask = letters(TEXTS[number % len(TEXTS)] if kind == "other texts" else "OPEN LATE")
        return over(frame, mask if kind == "standing" else np.roll(mask, -2 * place, axis=1), 800.0)

    assert look(draw) is None
