"""Home displays: law (nothing may differ that does not differ), shape, refusals; PQ and HLG held against colour-science."""

from dataclasses import replace

import colour
import numpy as np
import pytest

from pairdiff._errors import UsageError
from pairdiff._records import Declared, Mastering, Setup, SetupUncertainty
from pairdiff._settings import Settings
from pairdiff.light.display import PRESETS, add_veil, read_displays
from pairdiff.light.picture import hlg_to_peak, itp_difference, nits_to_itp, sdr_code_to_nits
from pairdiff.score.difference import blur_optics
from pairdiff.score.headroom import Weighting
from pairdiff.score.notice import predict_loss
from pairdiff.score.pair import PairPictures
from pairdiff.score.screens import ScreenCollector, choose_pairs, list_screens, score_on_screen, shadows_kept, source_peak_nits
from tests.score._pairs import TO_2020, make_pair

HOME = ("self-emissive", "lcd-bright", "lcd-dim")


def controls(white=150.0, gamma=2.4):
    return Setup("controls", white, gamma, False, SetupUncertainty(None, None), None, None)


def relabelled(white, gamma, *, rows=120, columns=160):
    """An SDR picture and the same light in HDR clothes."""
    rng = np.random.default_rng(4)
    ramp = np.linspace(0, 1, columns)[None, :, None] * np.ones((rows, 1, 3))
    code = np.clip(ramp + 0.15 * rng.normal(size=(rows, columns, 3)).cumsum(1) / np.sqrt(columns), 0, 1).astype(np.float32)
    return PairPictures((white * code.astype(np.float64) ** gamma @ TO_2020.T).astype(np.float32), code, 56.55)


def declared(peak):
    mastering = None if peak is None else Mastering(None, None, None, None, peak, 0.005, "bitstream")
    return Declared("absent", None, "absent", None, None, mastering, ())


@pytest.mark.parametrize("white", [50.0, 120.0, 203.0, 290.0])
@pytest.mark.parametrize("gamma", [2.05, 2.4, 2.55])
@pytest.mark.parametrize("mastering", [None, 1000.0, 4000.0])
def test_a_relabelled_sdr_picture_stays_below_half_a_jnd_on_every_display(white, gamma, mastering):
    pictures = relabelled(white, gamma)
    measured = float(np.quantile(pictures.hdr_nits.max(-1), 0.9999))
    peak = source_peak_nits(declared(mastering), measured)
    for screen in list_screens(Settings(), transfer="pq", source_peak_nits=peak, controls=controls(white, gamma), measured_nits=measured):
        found = score_on_screen(pictures, screen)
        assert found.rms_jnd < 0.5  # (own: the limit of the definition)
        assert found.preference_loss.jod < 0.01


@pytest.mark.parametrize(("peak", "measured", "used"), [(1000.0, 400.0, 1000.0), (400.0, 700.0, 700.0), (None, 250.0, 250.0)])
def test_the_source_peak_is_the_declared_one_where_it_holds_what_was_measured(peak, measured, used):
    assert source_peak_nits(declared(peak), measured) == used
    assert source_peak_nits(None, measured) == measured


def test_a_display_rolls_off_from_the_declared_peak_where_it_does_not_reach_what_was_measured():
    screens = list_screens(Settings(), transfer="pq", source_peak_nits=4000.0, controls=controls(), measured_nits=900.0)
    told = {one.display.peak_nits: (one.source_peak_nits, one.rolls_off) for one in screens}
    assert told[1000.0] == (900.0, False)
    assert told[800.0] == (4000.0, True)
    assert told[350.0] == (4000.0, True)


def test_the_roll_off_keeps_order_and_ends_at_the_peak():
    screens = list_screens(Settings(), transfer="pq", source_peak_nits=4000.0, controls=controls())
    assert [one.display.name for one in screens] == list(HOME)
    levels = np.geomspace(1, 4000, 400).reshape(20, 20)
    for one in screens:
        shown = one.show_levels(levels)
        assert shown.shape == levels.shape
        assert (np.diff(shown.reshape(-1)) >= -1e-3).all()
        assert shown.max() == pytest.approx(one.display.peak_nits, rel=1e-3)
        assert shown[levels < 20] == pytest.approx(levels[levels < 20], rel=1e-3)


@pytest.mark.parametrize("peak", [350.0, 800.0, 1000.0, 2000.0])
def test_hlg_goes_to_another_display_by_its_own_system_gamma(peak):
    code = np.random.default_rng(1).uniform(0.02, 1, (30, 30, 3))
    # colour-science, BT.2100 HLG EOTF at both peaks; its note 5f has another gamma below 400 cd/m2
    gammas = {nits: 1.2 + 0.42 * np.log10(nits / 1000) if nits >= 400 else 1.2 * 1.111 ** np.log2(nits / 1000) for nits in (1000.0, peak)}
    first, second = (colour.models.eotf_BT2100_HLG(code, L_B=0, L_W=nits, gamma=gammas[nits]) for nits in (1000.0, peak))
    assert hlg_to_peak(first, from_nits=1000.0, to_nits=peak) == pytest.approx(second, rel=2e-4)


def test_hlg_never_goes_through_the_roll_off():
    screen = next(s for s in list_screens(Settings(), transfer="hlg", source_peak_nits=4000.0, controls=controls()))
    grey = np.full((1, 1, 3), 1000.0, np.float32)
    assert screen.rolls_off
    assert screen.show(grey)[0, 0] == pytest.approx(screen.display.peak_nits, rel=1e-4)


def test_the_sdr_set_is_no_brighter_than_the_display():
    settings = Settings(own_displays="den: peak 110", displays="")
    (screen,) = list_screens(settings, transfer="pq", source_peak_nits=1000.0, controls=controls(180.0))
    assert screen.setup.white_nits == 110.0
    assert screen.setup.name == "controls"


def test_a_veil_takes_the_shadows_by_the_pq_scale_and_turning_up_gives_back():
    levels = np.array([[0.02, 2.0], [0.1, 5.0]])
    pq = colour.models.eotf_inverse_ST2084  # colour-science
    theirs = (pq(levels[:, 1] + 0.7) - pq(levels[:, 0] + 0.7)) / (pq(levels[:, 1]) - pq(levels[:, 0]))
    assert shadows_kept(levels, veil_nits=0.7) == pytest.approx(theirs, abs=2e-4)
    assert shadows_kept(levels, veil_nits=0.0) == pytest.approx([1, 1])
    assert (shadows_kept(levels, veil_nits=0.7, gain=2.0) > shadows_kept(levels, veil_nits=0.7)).all()
    assert np.isnan(shadows_kept(np.array([[1.0, 1.0]]), veil_nits=0.7)).all()


def test_own_displays_are_read_and_stand_behind_the_named_ones():
    found = read_displays("lcd-dim, attic", "attic: peak 600, black 0.02, full-field 200, reflectance 0.01; hall: peak 90")
    assert [one.name for one in found] == ["lcd-dim", "attic", "hall"]
    assert (found[1].peak_nits, found[1].black_nits, found[1].full_field_nits, found[1].reflectance) == (600.0, 0.02, 200.0, 0.01)
    assert (found[2].black_nits, found[2].full_field_nits, found[2].reflectance) == (0.0, None, 0.0)


@pytest.mark.parametrize(
    ("names", "own", "words"),
    [
        ("plasma", None, r"found 'plasma', expected names out of reference, self-emissive, lcd-bright, lcd-dim; --own-displays adds yours"),
        ("", "attic: brightness 600", "'brightness 600' in 'attic: brightness 600' cannot be read"),
        ("", "attic: peak bright", "'peak bright' .* cannot be read"),
        ("", "attic: black 0.1", "needs a name, a peak"),
        ("", ": peak 300", "needs a name, a peak"),
        ("", "attic: peak 300, reflectance 2", "a reflectance of 0 to 1"),
        ("", "attic: peak 0.1, black 0.2", "must go from a black of 0 or more to a higher peak"),
    ],
)
def test_displays_that_cannot_be_are_refused_in_words(names, own, words):
    with pytest.raises(UsageError, match=words):
        read_displays(names, own)


def test_pairs_are_shown_from_the_middle_of_shots_spread_over_the_film():
    assert choose_pairs([0, 0, 0, 1, 1, 2], most=10) == [1, 4, 5]
    many = choose_pairs(list(np.repeat(np.arange(100), 4)), most=5)
    assert len(many) == 5
    assert many[0] < 4
    assert many[-1] >= 396


def test_a_film_on_displays_stands_for_all_its_time_and_dims_with_the_peak():
    pictures = relabelled(150.0, 2.4)
    bright = PairPictures(np.where(pictures.sdr_code > 0.7, pictures.hdr_nits * 6, pictures.hdr_nits), pictures.sdr_code, 56.55)
    settings, peak = Settings(), float(bright.hdr_nits.max())
    screens = list_screens(settings, transfer="pq", source_peak_nits=peak, controls=controls())
    collector = ScreenCollector(screens, wanted=[10, 30])
    frames = (10, 20, 30)
    for frame in frames:
        collector.add(bright if frame < 30 else pictures, hdr_frame=frame)
    pairs = [make_pair(hdr_frame=frame, hdr_p999_nits=peak) for frame in frames]
    weighting = Weighting(np.array([1.0, 1.0, 2.0]), np.array([0, 0, 1]), 0.1)
    found = [result for _, result in collector.pool(pairs, weighting, settings=settings)]
    assert [one.name for one in found] == list(HOME)
    assert all(one.pairs == 2 for one in found)
    stops = {one.name: one.headroom_stops for one in found}
    assert stops["lcd-dim"] == pytest.approx(np.log2(350 / 150), abs=0.01)  # the display's peak over the set's white
    assert stops["lcd-dim"] < stops["self-emissive"] < stops["lcd-bright"]
    losses = {one.name: one.difference.on_its_own.preference_loss.value for one in found}
    assert losses["lcd-dim"] < losses["lcd-bright"]
    alone = score_on_screen(bright, screens[0]).preference_loss.jod
    assert losses["self-emissive"] == pytest.approx(alone / 2, rel=0.02)  # half of the time shows nothing more
    assert ScreenCollector(screens, wanted=[]).pool(pairs, Weighting(np.ones(3), np.arange(3), 0.1), settings=settings) == ()


def test_presets_say_why_their_numbers_are_what_they_are():
    for one in PRESETS.values():
        assert len(one.reasoning) > 40
        assert one.origin


def test_a_shown_pair_stands_for_the_time_of_its_shot():
    pictures = relabelled(150.0, 2.4)
    bright = PairPictures(np.where(pictures.sdr_code > 0.7, pictures.hdr_nits * 6, pictures.hdr_nits), pictures.sdr_code, 56.55)
    screens = list_screens(Settings(), transfer="pq", source_peak_nits=float(bright.hdr_nits.max()), controls=controls())
    collector = ScreenCollector(screens, wanted=[10, 40])
    for frame in (10, 20, 30, 40):
        collector.add(bright if frame < 40 else pictures, hdr_frame=frame)
    pairs = [make_pair(hdr_frame=frame, hdr_p999_nits=150.0) for frame in (10, 20, 30, 40)]
    weighting = Weighting(np.array([1.0, 1.0, 1.0, 1.0]), np.array([0, 0, 0, 1]), 0.1)  # three quarters of the time are bright
    found = collector.pool(pairs, weighting, settings=Settings())[0][1].difference.on_its_own.preference_loss.value
    assert found == pytest.approx(0.75 * score_on_screen(bright, screens[0]).preference_loss.jod, rel=0.02)


def test_a_pair_that_is_measured_first_and_taken_later_counts_as_one_that_is_added():
    pictures, screens = relabelled(180.0, 2.3), list_screens(Settings(), transfer="pq", source_peak_nits=4000.0, controls=controls())
    added, taken = (ScreenCollector(screens, wanted=[3]) for _ in range(2))
    added.add(pictures, hdr_frame=3)
    assert taken.measure(pictures, hdr_frame=4) is None
    taken.take(taken.measure(pictures, hdr_frame=3, blurred=pictures.blurred()), hdr_frame=3)
    pairs, weighting = [make_pair(hdr_frame=3)], Weighting(np.ones(1), np.zeros(1, np.int64), 1.0)
    one, other = (side.pool(pairs, weighting, settings=Settings()) for side in (added, taken))
    assert [result for _, result in one] == [result for _, result in other]


@pytest.mark.parametrize("name", HOME)
def test_a_display_shows_what_roll_off_veil_and_optics_make_of_the_light_one_by_one(name):
    pictures, eye = relabelled(180.0, 2.3), {"pixels_per_degree": 56.55}
    pictures = replace(pictures, hdr_nits=pictures.hdr_nits * np.float32(3))
    settings = Settings(displays=name)
    (screen,) = list_screens(settings, transfer="pq", source_peak_nits=4000.0, controls=controls(120.0, 2.3))
    found = score_on_screen(pictures, screen)
    light = screen.show(pictures.hdr_nits), sdr_code_to_nits(pictures.sdr_code, white_nits=screen.setup.white_nits, gamma=2.3)
    seen = [nits_to_itp(blur_optics(add_veil(side, display=screen.display, ambient_lux=0.0), **eye)) for side in light]
    apart = itp_difference(*seen).astype(np.float64)
    assert found.rms_jnd == pytest.approx(np.sqrt(np.mean(apart**2)), abs=1e-3)
    assert found.preference_loss.jod == pytest.approx(predict_loss(*seen, **eye).jod, abs=1e-4)
    assert found.counts.sum() == apart.size
