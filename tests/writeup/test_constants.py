"""The list of constants is whole, says what each is, and holds the values in use."""

import re

import pytest

from pairdiff.match import timeline
from pairdiff.writeup.constants import list_constants

CONSTANTS = list_constants()


def test_the_list_holds_the_values_that_are_in_use():
    found = {(one.module, one.name): one for one in CONSTANTS}
    assert len(found) == len(CONSTANTS) > 150
    assert found["match/timeline", "PROBES"].value == timeline.PROBES
    # BT.2124-0 annex 1: dE_ITP = 720 sqrt(...)
    assert found["light/ictcp", "JND_SCALE"].value == 720.0
    assert found["light/ictcp", "JND_SCALE"].origin == "as cited"
    assert found["match/timeline", "WINDOW_FRAMES"].origin == "own"
    assert found["score/eye", "scale_jnd"].origin == "fitted"


@pytest.mark.parametrize("one", CONSTANTS, ids=lambda one: f"{one.module}:{one.name}")
def test_every_constant_says_what_it_is(one):
    assert len(one.meaning) > 20, f"{one.module}: {one.name} has no docstring behind it"
    assert re.search(r"[.)]$", one.meaning)
    assert one.origin in (("own", "published", "fitted") if one.module == "score/eye" else ("own", "as cited"))
