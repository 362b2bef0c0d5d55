"""How often the intervals of a survey hold what the whole film says, however early it stops: printed, never asserted.

PYTHONPATH=. .venv-tests/bin/python -m tests.bench.survey_cover simulated [FILMS]
PYTHONPATH=. .venv-tests/bin/python -m tests.bench.survey_cover real FOLDER [TRIALS]

`simulated`: films as rows of shots (log-normal lengths, median 3.5 s; common practice, no source) in scenes, whose pictures have a level
above white, in stops, and a preference loss that wander within a shot and from shot to shot. Windows are drawn as a survey draws them:
one in each part, from the key frame before a moment to at most a third of a second behind it, parts in the order of the survey. At each
look the survey stops where its interval of the share of time lies on one side of the tenth that the highlights axis asks for. What it
then states is held against all frames of the film: the share of time, the level reached in a tenth of the time, the mean loss.

`real`: one film of 60 scenes, small pictures, encoded and looped to some length, surveyed with many seeds, and held against every one of
its frames scored (`--full`).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pairdiff._survey import LOOK_CONFIDENCE, LOOKS, survey_order
from pairdiff.score.pooling import estimate_mean, estimate_share, level_interval, level_reached

FRAMES = 172_800
KEY_FRAMES = 24
WAIT_FRAMES = 8
ASKED = 0.1
LEAST_STOPS = 0.3
SCENES, LOOPS = 60, 10
"""Scenes of the encoded film, a second each, and how often it is looped."""
FILMS = {"hardly any highlights": -0.6, "near the limit": -0.25, "often": 0.3}
"""Stops above white of the median picture."""


def make_film(middle: float, *, rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Stops above white and preference loss of every frame."""
    lengths = np.maximum(np.rint(24 * rng.lognormal(np.log(3.5), 0.8, 4000)), 6).astype(int)
    shots = int(np.searchsorted(np.cumsum(lengths), FRAMES)) + 1
    lengths = lengths[:shots]
    scene = np.repeat(rng.normal(0, 0.5, shots), rng.integers(1, 41, shots))[:shots]
    shot = middle + scene + rng.normal(0, 0.45, shots)
    wander = rng.normal(0, 0.25, shots)
    place = np.concatenate([np.linspace(-1, 1, n) for n in lengths])
    stops = np.repeat(shot, lengths) + np.repeat(wander, lengths) * place
    stops = np.maximum(stops[:FRAMES], 0)
    loss = 0.2 + 0.5 * stops + 0.1 * np.repeat(rng.random(shots), lengths)[:FRAMES]
    return stops, loss


def draw(part: int, *, frames: int, rng: np.random.Generator) -> int:
    """A picture of one part, as a survey draws it."""
    moment = int((part + rng.random()) / LOOKS[-1] * frames)
    return min(moment // KEY_FRAMES * KEY_FRAMES + int(rng.integers(0, WAIT_FRAMES + 1)), frames - 1)


def survey(stops: NDArray[np.float64], loss: NDArray[np.float64], *, seed: int) -> tuple[int, list[bool]]:
    """Look at which a survey stops, and whether its intervals of share, level and mean hold the truth."""
    order, rng = survey_order(LOOKS[-1], seed=seed), np.random.default_rng(seed)
    picks = np.array([draw(int(part), frames=len(stops), rng=rng) for part in order])
    for last in LOOKS:
        seen = picks[:last]
        how = {
            "weights": np.ones(last),
            "shots": np.arange(last),
            "sampled_fraction": last / len(stops),
            "confidence": LOOK_CONFIDENCE,
        }
        share = estimate_share(stops[seen] >= LEAST_STOPS, **how)
        assert share.low is not None
        assert share.high is not None
        if not share.low < ASKED <= share.high or last == LOOKS[-1]:
            break
    low, high = level_interval(stops[seen], ASKED, **how)
    mean = estimate_mean(loss[seen], **how)
    assert mean.low is not None
    assert mean.high is not None
    level = level_reached(stops, ASKED, weights=np.ones(len(stops)))
    truth = float((stops >= LEAST_STOPS).mean())
    return LOOKS.index(last) + 1, [
        share.low <= truth <= share.high,
        low <= level <= (np.inf if high is None else high),
        mean.low <= float(loss.mean()) <= mean.high,
    ]


def simulated(films: int) -> None:
    """Print how often each interval holds."""
    print("| film | true share | looks | share of time | level | mean loss | all three |")
    print("|---|---|---|---|---|---|---|")
    for number, (name, middle) in enumerate(FILMS.items()):
        looks, held, shares = [], [], []
        for trial in range(films):
            stops, loss = make_film(middle, rng=np.random.default_rng((number, trial)))
            look, found = survey(stops, loss, seed=1000 * number + trial)
            looks.append(look)
            held.append(found)
            shares.append(float((stops >= LEAST_STOPS).mean()))
        each = " | ".join(f"{share:.1%}" for share in np.mean(held, axis=0))
        print(f"| {name} | {np.mean(shares):.1%} | {np.mean(looks):.2f} | {each} | {np.mean(np.all(held, axis=1)):.1%} |", flush=True)


def real(folder: Path, trials: int) -> None:
    """Print how often the intervals of surveys of one encoded film hold what all its frames say."""
    import pairdiff
    from tests.whole._survey_films import encode_kinds, loop_kinds, make_scene

    folder.mkdir(parents=True, exist_ok=True)
    lamps_nits = np.random.default_rng(1).lognormal(np.log(120), 0.8, SCENES)
    once = encode_kinds(folder, [make_scene(number, lamps_nits=float(nits)) for number, nits in enumerate(lamps_nits)])
    hdr, _, sdr = loop_kinds(once, times=LOOPS)
    whole = pairdiff.compare(once.hdr, once.sdr, full=True)
    own = whole.difference.on_its_own
    truth = {
        "share of time": whole.headroom.time_share.value,
        "stops": whole.headroom.stops,
        "preference loss": own.preference_loss.value,
        "notice probability": own.notice_probability.value,
        "share at 0.5": own.share_05.value,
        "share at 1": own.share_1.value,
    }
    print({name: round(float(value or 0), 4) for name, value in truth.items()}, whole.verdict.label, flush=True)
    held: dict[str, list[bool]] = {name: [] for name in truth}
    labels: list[str] = []
    for seed in range(trials):
        found = pairdiff.compare(hdr, sdr, survey=True, settings=pairdiff.Settings(seed=seed))
        own = found.difference.on_its_own
        ends = {
            "share of time": found.headroom.time_share,
            "stops": found.headroom.stops_interval,
            "preference loss": own.preference_loss,
            "notice probability": own.notice_probability,
            "share at 0.5": own.share_05,
            "share at 1": own.share_1,
        }
        for name, one in ends.items():
            low, high = (-np.inf if one.low is None else one.low), (np.inf if one.high is None else one.high)
            held[name].append(bool(low <= float(truth[name] or 0) <= high))
        labels.append(found.verdict.label)
        survey_said = found.coverage.survey
        print(
            seed,
            found.verdict.label,
            survey_said and (survey_said.looks, survey_said.decoded_frames),
            [v[-1] for v in held.values()],
            flush=True,
        )
    for name, values in held.items():
        print(f"| {name} | {np.mean(values):.1%} of {len(values)} |")
    print({label: labels.count(label) for label in sorted(set(labels))})


if __name__ == "__main__":
    if sys.argv[1:2] == ["real"]:
        real(Path(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 40)
    else:
        simulated(int(sys.argv[2]) if len(sys.argv) > 2 else 400)
