"""The record of the model's constants: each says what it is, where it comes from, and why."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from pairdiff.score.eye import EYE, EyeModel, list_constants


def test_every_constant_says_what_it_is_and_where_it_comes_from() -> None:
    found = list_constants()
    assert [one.name for one in found] == [item.name for item in fields(EyeModel)]
    for one in found:
        assert one.text
        assert one.source
        assert one.origin in ("published", "fitted", "own")
        assert one.value == getattr(EYE, one.name)


def test_two_constants_are_fitted_and_no_more() -> None:
    assert {one.name for one in list_constants() if one.origin == "fitted"} == {"scale_jnd", "slow_chromatic_per_jnd"}


def test_the_list_follows_the_model_that_is_given() -> None:
    assert {one.name: one.value for one in list_constants(replace(EYE, power=1.5))}["power"] == 1.5


def test_published_constants_are_those_of_their_sources() -> None:
    # Barten 1999 equation 3.8 at a pupil of 3.5 mm: hypot(0.5, 0.08 x 3.5) arc minutes. Daly 1993: k1 = 6^(-7/3), k2 = 6^(10/3) (memory).
    assert EYE.optics_degrees * 60 == pytest.approx((0.5**2 + 0.28**2) ** 0.5, abs=5e-4)
    assert EYE.masking_k1 == pytest.approx(0.0153, abs=1e-4)
    assert EYE.masking_k2 == pytest.approx(392.5, abs=0.1)
    assert EYE.jnd_per_unit == 720  # ITU-R BT.2124-0 annex 1
