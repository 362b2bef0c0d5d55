"""Mix-ups are made with colour-science's transfer functions (BT.2100 PQ and HLG); ranges by the arithmetic of BT.709-6 item 5."""

from fractions import Fraction

import colour
import numpy as np
import pytest

from pairdiff._records import Fact, Rectangle, Signal, SignalReading
from pairdiff.score.readings import FAR_GAMMAS, _weigh, check_readings, count_luma, read_range
from pairdiff.score.setup import FitSample
from tests.score._pairs import make_signal, relabel

PEAK_NITS = 1000.0


def signal(transfer, code_range="narrow"):
    def fact(value):
        return Fact(value, "container", False)

    return Signal(
        transfer=fact(transfer),
        primaries=fact("bt2020" if transfer != "bt1886" else "bt709"),
        matrix=fact("bt709"),
        range=fact(code_range),
        bit_depth=fact(10),
        chroma_sampling=fact("420"),
        chroma_siting=fact("left"),
        width=fact(640),
        height=fact(360),
        sample_aspect=fact(Fraction(1)),
        frame_rate=fact(Fraction(24)),
    )


def to_pq(nits):
    return colour.models.eotf_inverse_ST2084(np.clip(nits, 0, 10_000))


def from_pq(code):
    return colour.models.eotf_ST2084(np.clip(code, 0, 1))


def to_hlg(nits):
    with np.errstate(invalid="ignore"):  # colour-science takes the logarithm of what it then does not use
        return colour.models.eotf_inverse_BT2100_HLG(np.clip(nits, 0, PEAK_NITS), L_W=PEAK_NITS)


def from_hlg(code):
    return colour.models.eotf_BT2100_HLG(code, L_W=PEAK_NITS)


def as_full(code):
    """What narrow codes become that are read as full."""
    return (219 * code + 16) / 255


def as_narrow(code):
    """What full codes become that are read as narrow."""
    return np.maximum((255 * code - 16) / 219, 0)


def same(values):
    return values


def make_pair(*, hdr=same, sdr=same, white=203.0, gamma=2.4, lift=1.6):
    """A pair that agrees below SDR white and whose highlights rise; `hdr` acts on its light, `sdr` on its signal."""
    signals = np.stack([make_signal(seed)[::7, ::7].reshape(-1, 3) for seed in range(4)]).astype(np.float64)
    light = relabel(signals, white_nits=white, gamma=gamma)
    level = light.max(-1, keepdims=True) / white
    light = light * (1 + (lift - 1) * np.clip((level - 0.6) / 0.4, 0, 1) ** 2)
    intensity = colour.RGB_to_ICtCp(np.maximum(hdr(light), 0))[..., 0]
    owner = np.repeat(np.arange(4), signals.shape[1])
    return FitSample(intensity.reshape(-1), np.asarray(sdr(signals)).reshape(-1, 3), owner, np.arange(4), 0.3)


def check(sample, hdr="pq", sdr_range="narrow", hdr_range="narrow", signs=(None, None)):
    return check_readings(sample, signal(hdr, hdr_range), signal("bt1886", sdr_range), signs=signs, hlg_peak_nits=PEAK_NITS)


@pytest.mark.parametrize(("white", "gamma"), [(71.0, 2.05), (150.0, 2.4), (290.0, 2.55), (700.0, 2.3)])
@pytest.mark.parametrize("hdr", ["pq", "hlg"])
def test_a_pair_that_is_read_as_it_was_made_fits(white, gamma, hdr):
    found = check(make_pair(white=white, gamma=gamma), hdr=hdr)
    assert (found.state, found.better) == ("fits", ())
    assert found.as_read.white_nits == pytest.approx(white, rel=0.03)
    assert found.as_read.gamma == pytest.approx(gamma, abs=0.06)


@pytest.mark.parametrize("white", [110.0, 203.0, 290.0])
def test_hlg_that_is_read_as_pq_is_contradicted(white):
    found = check(make_pair(white=white, hdr=lambda nits: from_pq(to_hlg(nits))), hdr="pq")
    assert found.state == "contradicted"
    assert ("hdr", "transfer", "hlg") in {(one.side, one.field, one.value) for one in found.better}
    assert found.as_read.gamma > 3.2
    hlg = next(one for one in found.better if one.value == "hlg")
    assert hlg.white_nits == pytest.approx(white, rel=0.05)


@pytest.mark.parametrize("white", [110.0, 203.0, 290.0])
def test_pq_that_is_read_as_hlg_is_contradicted(white):
    found = check(make_pair(white=white, hdr=lambda nits: from_hlg(to_pq(nits))), hdr="hlg")
    assert found.state == "contradicted"
    assert ("hdr", "transfer", "pq") in {(one.side, one.field, one.value) for one in found.better}


def test_an_sdr_signal_that_is_read_as_pq_is_contradicted():
    found = check(make_pair(white=100.0, lift=1.0, hdr=lambda nits: from_pq((np.maximum(nits, 0) / 100) ** (1 / 2.4))), hdr="pq")
    assert found.state == "contradicted"
    assert {"bt1886"} <= {one.value for one in found.better}


def test_a_pq_signal_that_is_read_as_sdr_is_contradicted():
    sample = make_pair(sdr=lambda signals: to_pq(relabel(signals, white_nits=203.0, gamma=2.4)))
    found = check(sample)
    assert found.state == "contradicted"
    assert ("sdr", "transfer", "pq") in {(one.side, one.field, one.value) for one in found.better}


@pytest.mark.parametrize(
    ("sample", "ranges", "side", "right"),
    [
        (make_pair(sdr=as_narrow), {}, "sdr", "full"),
        (make_pair(sdr=as_full), {"sdr_range": "full"}, "sdr", "narrow"),
    ],
)
def test_an_sdr_read_in_the_wrong_range_is_doubted_and_with_its_codes_contradicted(sample, ranges, side, right):
    doubted = check(sample, **ranges)
    assert doubted.state == "doubtful"
    assert (doubted.better[0].side, doubted.better[0].field, doubted.better[0].value) == (side, "range", right)
    sure = check(sample, signs=(None, right), **ranges)
    assert sure.state == "contradicted"
    assert sure.ranges == (("sdr", right),)


def test_codes_alone_make_a_range_doubtful():
    found = check(make_pair(), signs=("full", None))
    assert (found.state, found.better, found.ranges) == ("doubtful", (), (("hdr", "full"),))


def test_pictures_of_one_tone_tell_nothing():
    flat = make_pair()
    flat = FitSample(np.full_like(flat.hdr_intensity, 0.4), np.full_like(flat.sdr_code, 0.5), flat.picture, flat.shot, 0.3)
    found = check(flat)
    assert (found.status, found.state, found.as_read) == ("cannot_tell", "fits", None)


# ------------------------------------------------------------- what is made of the readings


def read_as(side="hdr", field="transfer", value="pq", *, gamma=2.4, left=1.0):
    return SignalReading(side, field, value, 203.0, gamma, left)


OTHER_TRANSFER = read_as(value="hlg", left=0.2)
OTHER_RANGE = read_as("sdr", "range", "full", left=0.2)


@pytest.mark.parametrize("gamma", [FAR_GAMMAS[0], 1.8, 2.4, 3.1, FAR_GAMMAS[1]])
def test_at_a_gamma_that_a_grade_may_have_another_transfer_is_not_looked_for(gamma):
    """A grade of hard contrast may lie nearer to another transfer by chance."""
    as_it_is = read_as(gamma=gamma, left=6.0)
    found = _weigh(as_it_is, [OTHER_TRANSFER], [], {})
    assert (found.status, found.as_read, found.better, found.state) == ("measured", as_it_is, (), "fits")


@pytest.mark.parametrize("gamma", [FAR_GAMMAS[0] - 0.01, FAR_GAMMAS[1] + 0.01])
def test_beyond_such_a_gamma_a_transfer_that_fits_closely_contradicts_and_one_that_fits_better_is_doubted(gamma):
    as_it_is = read_as(gamma=gamma, left=6.0)
    near, nearest, far = read_as(value="hlg", left=1.9), read_as("sdr", "transfer", "pq", left=0.4), read_as(value="bt1886", left=3.0)
    sure = _weigh(as_it_is, [far, near, nearest], [OTHER_RANGE], {"sdr": "full"})
    assert (sure.state, sure.better, sure.ranges) == ("contradicted", (nearest, near), ())
    doubted = _weigh(as_it_is, [far], [], {"sdr": "full"})
    assert (doubted.state, doubted.better, doubted.ranges) == ("doubtful", (far,), (("sdr", "full"),))


@pytest.mark.parametrize("other", [read_as(value="hlg", gamma=3.3, left=0.2), read_as(value="hlg", left=6.1)])
def test_a_transfer_that_asks_for_an_odd_set_or_leaves_more_is_no_better(other):
    found = _weigh(read_as(gamma=3.4, left=6.0), [other], [], {})
    assert (found.state, found.better) == ("fits", ())


@pytest.mark.parametrize("gamma", [1.7, 3.7])
def test_where_no_right_pair_lies_a_less_odd_set_is_named_however_much_it_leaves(gamma):
    odd = read_as("sdr", "transfer", "pq", gamma=1.1, left=1.0)
    found = _weigh(read_as(gamma=gamma, left=2.8), [odd, read_as(value="hlg", gamma=2.96, left=12.8)], [], {})
    assert (found.state, [one.value for one in found.better]) == ("doubtful", ["hlg"])
    assert _weigh(read_as(gamma=gamma, left=2.8), [odd], [], {}).state == "fits"


def test_codes_lower_what_a_range_must_gain_and_only_for_the_side_they_speak_of():
    as_it_is, other = read_as(left=2.0), read_as("sdr", "range", "full", left=1.2)
    assert _weigh(as_it_is, [], [other], {"sdr": "full"}).state == "contradicted"
    for looks in ({"hdr": "full"}, {"sdr": "narrow"}):
        assert (_weigh(as_it_is, [], [other], looks).state, _weigh(as_it_is, [], [other], looks).better) == ("doubtful", ())
    assert _weigh(as_it_is, [], [other], {}).state == "fits"


def test_of_two_ranges_that_fit_better_the_nearest_is_named():
    far = read_as("hdr", "range", "full", left=1.5)
    found = _weigh(read_as(left=6.0), [], [far, OTHER_RANGE], {})
    assert (found.state, found.better) == ("doubtful", (OTHER_RANGE,))


def test_a_transfer_that_does_not_fit_closely_counts_at_a_usual_gamma_alone():
    """A grade of a much harder contrast, read as HLG, comes out at 1.9 to 2."""
    as_it_is = read_as(gamma=3.3, left=15.0)
    assert _weigh(as_it_is, [read_as(value="hlg", gamma=1.98, left=10.0)], [], {}).state == "fits"
    assert _weigh(as_it_is, [read_as(value="hlg", gamma=2.13, left=10.0)], [], {}).state == "doubtful"
    assert _weigh(as_it_is, [read_as(value="hlg", gamma=1.98, left=1.9)], [], {}).state == "contradicted"


@pytest.mark.parametrize(
    ("gamma", "left", "other_gamma", "other_left", "state"),
    [
        (2.86, 1.5, 2.41, 0.4, "doubtful"),
        (2.0, 1.1, 2.4, 0.5, "doubtful"),
        (2.65, 1.5, 2.41, 0.4, "fits"),  # a set that is hardly off
        (2.86, 1.5, 2.6, 0.4, "fits"),  # another set that is no plainer
        (2.86, 1.5, 2.41, 0.7, "fits"),  # one that leaves something
        (2.06, 0.5, 2.41, 0.4, "fits"),  # one that leaves hardly less
    ],
)
def test_a_pair_that_another_range_brings_back_to_a_plain_set_is_doubted(gamma, left, other_gamma, other_left, state):
    found = _weigh(read_as(gamma=gamma, left=left), [], [read_as("hdr", "range", "full", gamma=other_gamma, left=other_left)], {})
    assert found.state == state


# ------------------------------------------------------------- codes of one release


def whole(luma):
    return Rectangle(0, luma.shape[0], 0, luma.shape[1])


def dark_film(rng, *, narrow):
    """8-bit luma of a film with black in it."""
    shade = np.clip(rng.gamma(1.2, 0.12, size=(400, 400)) - 0.02, 0, 1)
    return np.round(16 + 219 * shade if narrow else 255 * shade).astype(np.uint8)


@pytest.mark.parametrize("narrow", [True, False])
@pytest.mark.parametrize("bit_depth", [8, 10, 12])
def test_the_range_of_a_film_with_black_in_it_is_told(narrow, bit_depth):
    luma = dark_film(np.random.default_rng(4), narrow=narrow).astype(np.uint16) << (bit_depth - 8)
    codes = count_luma(luma, active=whole(luma), bit_depth=bit_depth)
    assert codes.shape == (256,)
    assert codes.sum() == 100 * 100
    assert read_range(codes, code_range="narrow" if narrow else "full") is None
    sign = read_range(codes, code_range="full" if narrow else "narrow")
    assert sign == ("narrow" if narrow else "full")


def test_what_a_codec_rings_below_black_is_no_sign_of_the_full_range():
    rng = np.random.default_rng(5)
    luma = dark_film(rng, narrow=True).astype(np.int64)
    ringing = np.where(rng.random(luma.shape) < 0.05, luma - rng.integers(0, 8, luma.shape), luma)
    codes = np.clip(ringing, 1, 254).astype(np.uint8)
    assert read_range(count_luma(codes, active=whole(codes), bit_depth=8), code_range="narrow") is None


def test_luma_is_counted_inside_the_active_picture_at_every_fourth_place():
    luma = np.random.default_rng(8).integers(0, 1024, (60, 90)).astype(np.uint16)
    expected = np.bincount(luma[6:50:4, 3:81:4].ravel() >> 2, minlength=256)
    assert np.array_equal(count_luma(luma, active=Rectangle(6, 50, 3, 81), bit_depth=10), expected)
    beyond = np.full((8, 8), 5000, np.uint16)  # codes that ten bits do not have
    assert count_luma(beyond, active=whole(beyond), bit_depth=10).sum() == 0


def test_a_film_without_black_says_nothing_of_its_range():
    bright = np.full((400, 400), 120, np.uint8)
    bright[:200] = 90
    for code_range in ("narrow", "full"):
        assert read_range(count_luma(bright, active=whole(bright), bit_depth=8), code_range=code_range) is None
    assert read_range(np.zeros(256, np.int64), code_range="full") is None


def test_a_full_range_film_that_fades_in_from_a_raised_black_is_no_narrow_one():
    ramp = np.random.default_rng(6).uniform(16, 250, (800, 800)).astype(np.uint8)
    assert read_range(count_luma(ramp, active=whole(ramp), bit_depth=8), code_range="full") is None


def test_a_pile_of_codes_at_narrow_black_is_no_sign_beside_blacks_at_0():
    codes = np.full(256, 100)
    codes[:20] = 0
    codes[16] = 5000
    assert read_range(codes, code_range="full") == "narrow"
    codes[0] = 1000
    assert read_range(codes, code_range="full") is None
