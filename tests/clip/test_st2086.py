import dataclasses

import pytest

from pairdiff._errors import InputRefused
from pairdiff._records import Mastering
from pairdiff.clip import st2086

P3_UNITS = st2086.MasteringUnits(
    green=(13250, 34500), blue=(7500, 3000), red=(34000, 16000), white=(15635, 16450), max_luminance=10_000_000, min_luminance=50
)
P3 = Mastering((0.68, 0.32), (0.265, 0.69), (0.15, 0.06), (0.3127, 0.329), 1000.0, 0.005, "bitstream")


def test_p3_message_reads_as_its_display():
    """Units of H.264 D.2.29; chromaticities of SMPTE EG 432-1."""
    assert st2086.mastering_from_units(P3_UNITS, source="bitstream") == P3


def test_display_writes_its_message():
    assert st2086.mastering_to_units(P3) == P3_UNITS


def test_message_keeps_the_order_green_blue_red():
    assert [f.name for f in dataclasses.fields(st2086.MasteringUnits)][:3] == ["green", "blue", "red"]


def test_every_unit_comes_back():
    for units in (0, 1, 49, 50_000):
        assert st2086.xy_to_units(st2086.xy_from_units((units, 50_000 - units))) == (units, 50_000 - units)
    for units in (0, 1, 50_000, 100_000_000):
        assert st2086.nits_to_units(st2086.nits_from_units(units)) == units


def test_light_level_of_zero_means_unknown():
    """H.264 D.2.31; CTA-861.3-A."""
    assert st2086.light_level_from_units(0) is None
    assert st2086.light_level_from_units(1000) == 1000


def test_usual_luminances_have_no_fault():
    assert st2086.luminance_faults(10_000_000, 1) == ()
    assert st2086.luminance_faults(50_000, 1) == ()
    assert st2086.luminance_faults(100_000_000, 49_999) == ()


@pytest.mark.parametrize(
    ("high", "low", "words"),
    [
        (40_000, 1, "mastering maximum luminance 4 cd/m2 is outside 5 to 10000 cd/m2"),
        (200_000_000, 1, "mastering maximum luminance 20000 cd/m2 is outside"),
        (10_000_000, 0, "mastering minimum luminance 0 cd/m2 is outside 0.0001 to 5 cd/m2"),
        (50_000, 50_000, "is not above the minimum"),
    ],
)
def test_luminances_outside_their_range_are_told(high, low, words):
    assert any(words in fault for fault in st2086.luminance_faults(high, low))


@pytest.mark.parametrize("units", [(-1, 5), (5, 50_001)])
def test_chromaticity_that_cannot_be_is_refused(units):
    with pytest.raises(InputRefused, match="is outside 0 to 50000; the metadata cannot be right"):
        st2086.xy_from_units(units)


def test_other_values_that_cannot_be_are_refused():
    with pytest.raises(InputRefused, match="is outside 0 to 1; give CIE x and y"):
        st2086.xy_to_units((0.3, 1.2))
    with pytest.raises(InputRefused, match="luminance of -1 in the metadata is below 0"):
        st2086.nits_from_units(-1)
    with pytest.raises(InputRefused, match="below 0"):
        st2086.nits_to_units(float("nan"))
    with pytest.raises(InputRefused, match="below 0"):
        st2086.light_level_from_units(-3)


@pytest.mark.parametrize("part", ["red_xy", "white_xy", "max_nits", "min_nits"])
def test_incomplete_display_cannot_be_written(part):
    with pytest.raises(InputRefused, match="The mastering display is incomplete"):
        st2086.mastering_to_units(dataclasses.replace(P3, **{part: None}))
