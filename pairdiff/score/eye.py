"""Every constant of the model behind `on_its_own` (notice.py), each with where it comes from: published, fitted or own."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any, Literal, NamedTuple

Origin = Literal["published", "fitted", "own"]


def constant(default: float, origin: Origin, text: str, source: str) -> Any:
    """A field of `EyeModel` that carries what it is, the kind of its origin, and the source or the reason."""
    return field(default=default, metadata={"text": text, "origin": origin, "source": source})


FIT = "tests/bench/fit_notice.py: least error on 374 picture pairs scored by ColorVideoVDP 0.5.7, a published metric"
DALY = "S. Daly, The Visible Differences Predictor, in Digital Images and Human Vision, 1993"
BARTEN = "P. G. J. Barten, Contrast Sensitivity of the Human Eye and Its Effects on Image Quality, SPIE, 1999"


@dataclass(frozen=True, slots=True)
class EyeModel:
    """Constants in the order in which the picture meets them."""

    optics_degrees: float = constant(
        0.573 / 60, "published", "Blur of the eye's optics at a 3.5 mm pupil, standard deviation, degrees", f"{BARTEN}, equation 3.8"
    )
    jnd_per_unit: float = constant(720.0, "published", "dE_ITP of one unit of I, T or P", "ITU-R BT.2124-0 annex 1")
    field_degrees: float = constant(
        40.0, "own", "Size of the picture for pupil and integration, degrees", "a picture at 1.5 to 3 heights is 20 to 60 degrees wide"
    )
    slowest_cycles: float = constant(
        0.25, "own", "Slowest band, cycles per degree at least; slower brightness is adapted away", "below it Barten's curve falls"
    )
    first_level: int = constant(
        1, "own", "Finest level of the pyramid that is compared", "codecs and scalers redraw what is finer; the fit loses 0.006 JOD by it"
    )
    first_chromatic_level: int = constant(
        2, "own", "Finest level of the pyramid whose colour is compared", "4:2:0 carries no colour at level 0, and filters half at level 1"
    )
    coherent_level: int = constant(
        3,
        "own",
        "Level from which the two pictures are compared point by point; finer ones by their local contrast",
        "registration is good to a quarter of a pixel, and codecs redraw what is finer",
    )
    noise_contrast_jnd: float = constant(
        1.5,
        "own",
        "Contrast from which a block tells of noise, in units of that which is just noticeable",
        "codecs take away what is small, and cannot where there is nothing; 1 to 3 do alike (tests/bench/null_pairs.py)",
    )
    noise_quantile: float = constant(
        0.9,
        "own",
        "Share of the blocks with contrast whose noise of brightness does not exceed what counts as their band's",
        "tests/bench/null_pairs.py",
    )
    chromatic_noise_quantile: float = constant(
        0.95, "own", "The same for colour", "codecs drop the colour of single blocks whole; tests/bench/null_pairs.py"
    )
    noise_factor: float = constant(
        3.0, "own", "Noise power taken off, in units of that of the band", "noise in 3 x 3 pixels varies; tests/bench/null_pairs.py"
    )
    noise_falls_from: int = constant(
        2,
        "own",
        "Level from which noise of brightness falls",
        "soft grain is as strong in the second band as in the finest; tests/bench/null_pairs.py",
    )
    noise_fall: float = constant(
        0.25,
        "own",
        "Most power that noise of brightness keeps from band to band where it falls",
        "an octave lower, a band holds a quarter of the frequencies of a picture: white noise has a quarter of the power there",
    )
    masking_slope: float = constant(0.75, "published", "Slope of threshold elevation", f"{DALY}: 0.65 to 1")
    masking_bend: float = constant(4.0, "published", "Bend of threshold elevation", f"{DALY}: 2 to 4")
    masking_k1: float = constant(6.0 ** (-7 / 3), "published", "First constant of threshold elevation", DALY)
    masking_k2: float = constant(6.0 ** (10 / 3), "published", "Second constant of threshold elevation", DALY)
    pooling_power: float = constant(
        4.0, "published", "Power of pooling over picture, bands and channels", "J. G. Robson and N. Graham, Vision Research 21(3), 1981"
    )
    chromatic: float = constant(
        0.4,
        "own",
        "Weight of P (red-green) beside I",
        "the fit and scenes left out are met best at 0.36 to 0.42; at 0.56 they are met worse by 0.02 JOD",
    )
    blue_yellow_share: float = constant(
        0.2, "own", "Weight of T (blue-yellow) beside P", "the fit is as good from 0 to 0.2; at 0 such a difference would be invisible"
    )
    scale_jnd: float = constant(1.48, "fitted", "Visible difference at which the loss is 63 % of its most", FIT)
    power: float = constant(2.0, "own", "Power of the curve from visible difference to loss", "1.8 to 2 fit alike")
    slow_chromatic_per_jnd: float = constant(
        0.0068, "fitted", "Response to a slow difference of P of 1 JND, in units of that which leaves 63 % of the most", FIT
    )
    most_jod: float = constant(10.0, "published", "Loss that no difference exceeds", "the JOD scale runs from 10 to 0")
    probit_per_jod: float = constant(
        0.6745, "published", "1 JOD: three viewers in four", "L. L. Thurstone, Psychological Review 34, 1927, case V"
    )


EYE = EyeModel()


class Constant(NamedTuple):
    """One constant as the method section prints it."""

    name: str
    value: float
    text: str
    origin: Origin
    source: str


def list_constants(eye: EyeModel = EYE) -> tuple[Constant, ...]:
    """Every constant of the model with its value, what it is, the kind of its origin, and the source or the reason."""
    return tuple(
        Constant(item.name, getattr(eye, item.name), item.metadata["text"], item.metadata["origin"], item.metadata["source"])
        for item in fields(eye)
    )
