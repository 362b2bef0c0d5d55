"""Answers to objections about how it was done: set, display, sampling, matching, tags, thresholds, model, pictures shown, copies."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import fields

from pairdiff._records import Comparison, Signal
from pairdiff.verdict.answer import Answer, capital, count, has_headroom, headroom_limits, join, quote, say_least, say_room, setting
from pairdiff.verdict.figures import (
    other_setups,
    say_decimals,
    say_gamma,
    say_interval,
    say_jod,
    say_nits,
    say_number,
    say_share,
    say_stops,
)
from pairdiff.verdict.judge import SEED_FLIP, THRESHOLDS

ENOUGH_SHOTS = 3
"""Shots from which a sample says something of other scenes (own)."""
FIT_ERROR_JOD = 0.25
"""Mean error of the fitted model with the scene left out, 374 pairs (measured: tests/bench/README.md)."""


def answer_setup(comparison: Comparison) -> Answer:
    """How sure the fitted set is, and what the label is on the others."""
    setup, spread = comparison.setup, comparison.setup.uncertainty
    labelled = {one.name: one for one in comparison.setups if one.label is not None}
    judged = [labelled[name] for name in other_setups([(one.name, one.white_nits, one.gamma) for one in labelled.values()])]
    white = "" if spread.white_nits is None else f" ± {say_number(spread.white_nits)}"
    gamma = "" if spread.gamma is None else f" ± {say_least(spread.gamma)}"
    bound = "; the fit stopped at the bound of the set" if setup.at_bound else ""
    figures = f"White {say_number(setup.white_nits)}{white} cd/m2 and gamma {say_gamma(setup.gamma)}{gamma}"
    fitted = f"{figures} were fitted to the pair, not chosen{bound}."
    if setup.label is None or not labelled:
        return Answer("cannot_answer", f"{fitted} No set-up was judged alone.", "A comparison that is judged at each set-up.")
    other = [f"{one.name} ({say_nits(one.white_nits)}): {quote(one.label)}" for one in judged if one.label != setup.label]
    sets = count(len(judged), "set-up that differs from it", "set-ups that differ from it")
    same = f"{len(judged) - len(other)} of {sets} give {quote(setup.label)} too"
    if not judged:
        same = f"controls gives {quote(setup.label)}, and every other set-up came out as it did"
    open_ = comparison.verdict.label == "undetermined"
    sure = spread.white_nits is not None and not setup.at_bound and not other and not open_
    told = "; another label: " + "; ".join(other) if other else ""
    doubt = "; so as the figures stand, and the draws, which also vary shots and thresholds, leave it open" if open_ else ""
    return Answer(
        "answered" if sure else "partly",
        f"{fitted} Each judged alone, {same}{told}{doubt}.",
        _say_white_that_flips(comparison),
    )


def _say_white_that_flips(comparison: Comparison) -> str:
    """The white from which the highlights would no longer be more, as far as white alone decides."""
    slight, room = headroom_limits(comparison)[0], comparison.headroom
    if comparison.free_fit.power_law:
        return "No white: one power law explains the pair, so that what is left at a set-up is what a set can be turned by."
    if room.status != "measured" or room.stops_controls is None or room.uses_peak_ratio or room.stops_controls < slight:
        return "A set stated with --sdr-white and --sdr-gamma is scored and judged beside these."
    white, high = comparison.setup.white_nits * 2 ** (room.stops_controls - slight), float(setting(comparison, "white_high_nits"))
    reach = "beyond" if white > high else "within"
    return (
        f"{'At the latest a' if comparison.verdict.tone == 'regraded' else 'A'} white of {say_nits(white)} leaves less than {slight:g} "
        f"stops of highlights; it is {reach} the set's reach ({high:g} cd/m2), "
        f"and makes all the rest {say_decimals(room.stops_controls - slight, 2)} stops brighter than in the HDR release."
    )


def answer_own_set(comparison: Comparison) -> Answer:
    """The stated set; else those whose gamma is fixed."""
    changes = "--sdr-white and --sdr-gamma state a set that was measured; its figures and its label are then printed as bench."
    bench = next((one for one in comparison.setups if one.name == "bench"), None)
    if bench is not None and bench.label is not None:
        loss = None if bench.difference is None else bench.difference.on_its_own.preference_loss.value
        lost = "" if loss is None else f", preference loss {say_jod(loss)}"
        answer = (
            f"The stated set (white {say_nits(bench.white_nits)}, gamma {say_gamma(bench.gamma)}) was scored: headroom "
            f"{say_stops(bench.headroom_stops)}{lost}; on it alone: {quote(bench.label)}."
        )
        return Answer("answered", answer, changes)
    fixed = [one for one in comparison.setups if one.name.startswith("gamma-") and one.label is not None]
    told = [(f"gamma {say_gamma(one.gamma)} at {say_nits(one.white_nits)}", one.label) for one in fixed]
    if not told:
        return Answer("cannot_answer", "No set was stated, and none with a fixed gamma was judged.", changes)
    return Answer("partly", f"No set was stated. With a fixed gamma and the white alone fitted: {_say_labels(told)}.", changes)


def _say_labels(told: Sequence[tuple[str, str | None]]) -> str:
    """What gives which label; a label that all of them give is said once."""
    if len({label for _, label in told}) == 1:
        return f"{join([words for words, _ in told])} give{'s' if len(told) == 1 else ''} {quote(told[0][1])}"
    return "; ".join(f"{words} gives {quote(label)}" for words, label in told)


def answer_display(comparison: Comparison) -> Answer:
    """The label on each home display and on own ones."""
    changes = "--own-displays adds a display by its peak, black, full field and reflectance."
    shown = [one for one in comparison.screens if one.label is not None]
    if not shown:
        return Answer("cannot_answer", "The pair was shown on no home display.", changes)
    told = [(f"{one.name} ({say_nits(one.peak_nits)}, highlights {say_stops(one.headroom_stops)})", one.label) for one in shown]
    open_ = comparison.verdict.label == "undetermined"
    sure = not open_ and all(one.label == comparison.setup.label for one in shown)
    doubt = ", as the figures stand and with the doubt set aside" if open_ else ""
    average = comparison.hdr.levels.max_fall_nits or 0.0
    weak = [f"{one.name} ({say_nits(one.full_field_nits)})" for one in shown if one.full_field_nits and one.full_field_nits < average]
    dimmed = (
        f" The brightest frame averages {say_nits(average)}, more than the full field of {join(weak)}: such a one dims it." if weak else ""
    )
    return Answer(
        "answered" if sure and not dimmed else "partly",
        f"Judged on each display alone, from {count(shown[0].pairs, 'pair')}: {_say_labels(told)}{doubt}. Zones, full-field limits and "
        f"processing in the display are not modelled.{dimmed}",
        changes,
    )


def answer_sampling(comparison: Comparison) -> Answer:
    """What was scored, and the interval that leaves."""
    seen, share = comparison.coverage, comparison.headroom.time_share
    surveyed = seen.mode == "survey"
    changes = "--full scores every matched frame; light levels count every decoded frame already."
    if surveyed:
        changes = "--no-survey reads every frame and scores some of each shot; --full scores every matched frame."
    if not seen.scored_pairs:
        return Answer("cannot_answer", "No pair was scored.", changes)
    if seen.mode == "full":
        every = f"{seen.scored_pairs} of {seen.matched_frames} matched frames, over {count(seen.shots, 'shot')}, were scored"
        return Answer(
            "answered", f"{every}: no sampling error, only that of the set.", "Nothing: every frame in a matched shot was scored."
        )
    known = share.value is not None and share.low is not None and share.high is not None
    interval = f"{say_share(share.value)} of matched time{say_interval(share.low, share.high, say_share)}"
    reached = f" Highlights are at least slightly more in {interval}." if known else ""
    enough = known and seen.shots >= ENOUGH_SHOTS
    asked = float(setting(comparison, "headroom_time_share"))
    open_ = known and (share.low or 0.0) < asked <= (share.high or 0.0)
    few = "" if enough else " That says little about other scenes."
    if open_:
        few = f" The interval holds the {say_share(asked)} that the highlights axis asks for, so frames not scored could move it."
    scored = f"{seen.scored_pairs} of {seen.matched_frames} matched frames were scored, over {count(seen.shots, 'shot')}; light levels "
    scored += f"count all {seen.hdr_frames} HDR frames."
    if surveyed:
        scored = (
            f"A survey scored {count(seen.scored_pairs, 'picture')}, drawn at random from equal parts of the film, and measured no other; "
            "its intervals allow for having looked more than once."
        )
    return Answer("answered" if enough and not open_ else "partly", f"{scored}{reached}{few}", changes)


def answer_one_scene(comparison: Comparison) -> Answer:
    """Median and highest shot beside the film value."""
    room, changes = comparison.headroom, "Another share of matched time; `pairdiff stills --at TIME` draws any moment that is named."
    if not has_headroom(comparison) or room.median_stops is None or room.highest_shot_stops is None:
        return Answer("cannot_answer", "How headroom is spread over the film was not measured.", changes)
    time = say_share(setting(comparison, "headroom_time_share"))
    return Answer(
        "answered",
        f"It may: the label is about the film. {time} of matched time reaches {say_room(comparison)}, half of it "
        f"{say_stops(room.median_stops)}, and the shot that goes furthest {say_stops(room.highest_shot_stops)}.",
        changes,
    )


def answer_matching(comparison: Comparison) -> Answer:
    """How sure the partners are, and what was refused."""
    found, changes = (
        comparison.alignment,
        "--anchor names moments that belong together; `pairdiff align --out` lists every frame's partner.",
    )
    held = [one.confidence for one in found.segments if one.kind == "matched" and one.confidence is not None]
    if not held:
        return Answer("cannot_answer", "No passage was matched.", changes)
    refused = sum((one.hdr_stop or 0) - (one.hdr_start or 0) for one in found.segments if one.kind == "undetermined")
    doubt = f"{count(refused, 'HDR frame')} {'was' if refused == 1 else 'were'}" if refused else "no HDR frame was"
    doubt += " refused as in doubt"
    if comparison.coverage.mode == "survey":
        doubt = "what lies between windows was not looked at"
    if refused and setting(comparison, "only"):
        lie, were = ("lies", "was") if refused == 1 else ("lie", "were")
        doubt = f"{count(refused, 'HDR frame')} {lie} outside what --only names or {were} refused as in doubt"
    off = [one.residual_pixels for one in found.geometry if one.residual_pixels is not None]
    place = (
        f"the pictures lie on each other to {say_decimals(max(off), 2)} pixels"
        if off
        else "how well the pictures lie on each other is not known"
    )
    enough = bool(setting(comparison, "only")) or found.matched_share >= float(setting(comparison, "min_matched_share"))
    return Answer(
        "answered" if off and enough else "partly",
        f"{_say_matched(comparison)}, and the least sure of {count(len(held), 'passage')} has a confidence of "
        f"{say_decimals(min(held), 2)}. {capital(doubt)}; {place}.",
        changes,
    )


def _say_matched(comparison: Comparison) -> str:
    """How much belongs together, and what bears it out."""
    found = comparison.alignment
    share = say_share(found.matched_share)
    if comparison.coverage.mode == "survey":
        return (
            f"{share} of the HDR release lies between windows found at one offset; the pictures of a window are alike by "
            f"{say_number(found.score)}, those of other moments by {say_number(found.runner_up)}"
        )
    moves = f"what moves in them correlates by {say_number(found.score)}, in the second-best places by {say_number(found.runner_up)}"
    return f"{share} of the HDR frames are matched; {moves}"


def answer_reading(comparison: Comparison) -> Answer:
    """What the files state, what was assumed, what options state."""
    facts = [
        (
            f"{side.release.side.upper()} {one.name.replace('_', ' ')} {getattr(side.release.signal, one.name).value}",
            getattr(side.release.signal, one.name),
        )
        for side in (comparison.hdr, comparison.sdr)
        for one in fields(Signal)
    ]
    assumed, stated = [words for words, fact in facts if fact.assumed], [words for words, fact in facts if fact.source == "option"]
    if assumed:
        answer = f"Of {len(facts)} facts {len(assumed)} had to be assumed: {join(assumed)}."
    else:
        answer = f"Nothing was assumed: files, standards or options state all {len(facts)} facts."
    own = f" Stated with options: {join(stated)}." if stated else ""
    changes = "An option such as --sdr-range or --hdr-primaries states what a file leaves out, and wins over its tags."
    return Answer("partly" if assumed else "answered", answer + own, changes)


def answer_thresholds(comparison: Comparison) -> Answer:
    """What moves the label, one at a time and together."""
    verdict, spread = comparison.verdict, setting(comparison, "threshold_spread")
    changes = "Each limit is a setting; what would flip the label is listed with the reasons."
    if not verdict.support:
        return Answer("cannot_answer", "They were, and no draws were made that would show what hangs on them.", changes)
    moved = [name for name in THRESHOLDS if any(re.search(rf"\b{name}\b", flip) for flip in verdict.flips)]
    named = f" ({join(moved)})" if moved else ""
    own = verdict.support.get(verdict.label)
    first = max(verdict.support, key=lambda label: verdict.support[label])
    held = (
        f"{say_share(own)} give this label"
        if own
        else f"{quote(first)} leads with {say_share(verdict.support[first])}, too little for a label"
    )
    return Answer(
        "answered" if own and not moved and not any(flip.startswith(SEED_FLIP) for flip in verdict.flips) else "partly",
        f"They were, most of them by this project. Moved one at a time by {say_share(spread)}, {len(moved)} of {len(THRESHOLDS)} change "
        f"the label{named}; moved all at once, with shots and set-up, in {setting(comparison, 'support_draws')} draws {held}.",
        changes,
    )


def answer_model(comparison: Comparison) -> Answer:
    """A prediction is no vote."""
    own, changes = comparison.difference.on_its_own, "Votes of viewers, which this run has not; no label rests on the model."
    loss, picked = own.preference_loss.value, own.notice_probability.value
    if own.status != "measured" or loss is None:
        return Answer("cannot_answer", "The model predicted nothing for this pair, and no viewers were asked.", changes)
    second = [one.published_loss for one in comparison.moments if one.published_loss is not None]
    beside = (
        f" The published metric itself gives {say_jod(min(second))} to {say_jod(max(second))} on {count(len(second), 'still')}."
        if second
        else ""
    )
    return Answer(
        "partly",
        f"It is not: a preference loss of {say_jod(loss)} and a notice probability of {say_share(picked)} are predictions of a model "
        f"fitted to a published metric's predictions, which it misses by {say_jod(FIT_ERROR_JOD)} on average on scenes it was not "
        f"fitted to; they are no votes. The label rests on light levels, clipped areas, tone and colour.{beside}",
        changes,
    )


def answer_stills(comparison: Comparison) -> Answer:
    """The rule that chose them, and what they can show."""
    changes = "`pairdiff stills --at TIME` draws any other moment; HDR itself is seen on an HDR display: with the releases, or "
    changes += "with the HDR pictures among the stills."
    losses = [one.loss for one in comparison.moments if one.loss is not None]
    if not comparison.moments:
        return Answer("cannot_answer", "No moments were chosen.", changes)
    lost = f", with losses of {say_jod(min(losses))} to {say_jod(max(losses))}" if losses else ""
    rules = join(list(dict.fromkeys(one.rule for one in comparison.moments)))
    return Answer(
        "partly",
        f"{count(len(comparison.moments), 'moment')} were chosen by rule ({rules}; seed {setting(comparison, 'seed')}){lost}. The pictures "
        "of the report are ordinary ones: the exposure bracket shows what lies above SDR white, and no figure is taken from them.",
        changes,
    )


def answer_other_copy(comparison: Comparison) -> Answer:
    """The figures hold for two files."""
    sides = [f"{side.release.side.upper()} {side.frames} pictures" for side in (comparison.hdr, comparison.sdr)]
    faults = count(len(comparison.hdr.damage) + len(comparison.sdr.damage), "fault")
    answer = f"It may be: the figures hold for these two files ({join(sides)}), whose hashes are printed; {faults} met in decoding."
    return Answer("cannot_answer", answer, "A comparison of the other copy.")
