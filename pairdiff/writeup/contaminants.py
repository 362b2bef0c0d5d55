"""What is not the film's picture, and where the highest level comes from, in words: for the report and for the terminal."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pairdiff.score.levels import SPECK_PIXELS
from pairdiff.verdict.rules import WORDS
from pairdiff.writeup.phrases import NO_VALUE, say_jod, say_nits, say_share, say_stops, say_time

KIND_WORDS = {
    "unmatched": "passages that only the HDR release has",
    "logo_or_credits": "logos or credits at an end of the release",
    "flash": "flashes that the SDR release does not show",
    "damaged_frame": "frames of the HDR release that are damaged, or replaced in the middle of a shot",
    "damaged_partner": "frames of the SDR release that are damaged, or replaced in the middle of a shot",
    "standing_mark": "marks that stand still over the film",
    "subtitle": "words laid over the picture",
    "single_frame": "a level of one frame",
    "speck": "specks",
    "bars": "bars beside the picture",
}
CAUSE_WORDS = {
    "unmatched": "a passage that only the HDR release has",
    "logo_or_credits": "a logo or credits at an end of the release",
    "flash": "a flash that the SDR release does not show",
    "damaged_frame": "a frame that is damaged, or replaced in the middle of a shot",
    "standing_mark": "a mark that stands still over the film",
    "subtitle": "words laid over the picture",
    "single_frame": "a single frame",
}
TREATMENT_WORDS = {
    "left_out": "left out of the scores",
    "masked": "masked in the scores",
    "takes_no_part": "takes no part in the scores anyway",
    "named_only": "named, and counted in the scores",
}
INNOCENT_WORDS = {
    "unmatched": "Editions differ in their logos, cards and cuts.",
    "logo_or_credits": "A logo is made once, for many films, and often as bright as the format allows.",
    "flash": "Lightning or a gunshot may light a single frame, and the SDR grade may hold it down.",
    "damaged_frame": "A file can be damaged on its way; the release need not be.",
    "damaged_partner": "A file can be damaged on its way; the release need not be.",
    "standing_mark": "A broadcaster's or a distributor's mark has a level of its own.",
    "subtitle": "Subtitles and titles are set at a level of their own, whatever the grade.",
    "single_frame": "A spark, a flash of a camera or the first frame of a cut can last one frame.",
    "speck": "A star or a glint can be a few pixels; so can a defect, and a codec's overshoot.",
    "bars": "Films are wider than screens.",
}
LEVEL_WORDS = {
    "as_defined": "as defined",
    "without_specks": f"what more than {SPECK_PIXELS} pixels of a frame reach",
    "lasting": "what lasts two frames",
    "scored_pictures": "of scored pictures, outside what is laid over them",
}
"""What kind of figure a highest level is, by `LevelKind`."""
DEFINED = "MaxCLL as defined (CTA-861.3) is the brightest pixel of all frames, be it a speck, a mark or a letter"
POSITION_WORDS = {"before": "before the film", "within": "within the film", "behind": "behind the film"}

Record = Mapping[str, Any]


def say_cause(peak: Record) -> str:
    """What the highest level belongs to, in words that follow `comes from`; empty where it is the film's picture.

    Parameters
    ----------
    peak : the `hdr_peak` of a result.
    """
    words = [CAUSE_WORDS[cause] for cause in peak["causes"] if cause in CAUSE_WORDS and cause != "unmatched"]
    if "unmatched" in peak["causes"]:
        words.append(f"{CAUSE_WORDS['unmatched']}, {POSITION_WORDS[peak['position']]}")
    if "speck" in peak["causes"]:
        words.insert(0, _say_pixels(peak["area_pixels"]))
    return " in ".join(words)


def _say_pixels(count: int) -> str:
    return "one pixel" if count == 1 else f"{count} pixels"


def say_peak(peak: Record, contaminants: Record | None) -> list[str]:
    """When and where the highest level of the HDR release occurs, in sentences.

    Parameters
    ----------
    peak : the `hdr_peak` of a result.
    contaminants : its `contaminants`, None where there are none.

    Returns
    -------
    list of str
        Empty where the peak was not looked for.
    """
    if peak["nits"] is None:
        return []
    cause = say_cause(peak)
    source = f"comes from {cause}" if cause else "lies in what counts as the film's picture"
    where = "" if peak["place"] is None else f", {_say_place(peak['place'])}"
    lines = [f"MaxCLL {say_nits(peak['nits'])} {source}: at {say_time(peak['time_s'])} of the HDR release (frame {peak['frame']}){where}."]
    area = (
        ""
        if peak["area_pixels"] is None
        else f" In that frame the patch that reaches as much is of {_say_pixels(peak['area_pixels'])} ({say_share(peak['area_share'])} of "
        "the picture)."
    )
    lasts = "in that frame alone" if peak["lasts_frames"] == 1 else f"for {peak['lasts_s']:.2f} s without a break"
    reaching = "one frame does" if peak["frames_reaching"] == 1 else f"{peak['frames_reaching']} frames do"
    lines.append(f"The brightest pixel stays within half a stop of that level {lasts}; {reaching} in the whole release.{area}")
    without = None if contaminants is None else contaminants["without_them"]
    if without is not None and without["max_cll_nits"] is not None and without["max_cll_nits"] < peak["nits"]:
        when = "" if peak["film_time_s"] is None else f", at {say_time(peak['film_time_s'])}"
        lines.append(
            f"Without what is not the film's picture MaxCLL is {say_nits(without['max_cll_nits'])}{when}{_say_kinds(contaminants)}."
        )
        lines.append(f"{DEFINED}: {say_nits(peak['nits'])}.")
    if peak["usual_nits"] is not None:
        lines.append(f"In 95 % of the film's frames no pixel exceeds {say_nits(peak['usual_nits'])}.")
    if len(peak["passages"]) > 1:
        stretches = "; ".join(_say_passage(one) for one in peak["passages"])
        lines.append(f"Reached in these stretches, the brightest first: {stretches}.")
    return lines


def _say_kinds(contaminants: Record | None) -> str:
    kinds = () if contaminants is None else contaminants.get("max_cll_without_kinds", ())  # results of an earlier version hold none
    return f" ({', and '.join(LEVEL_WORDS[one] for one in kinds)})" if kinds else ""


def _say_place(place: str) -> str:
    return "at the centre of the picture" if place == "centre" else f"in the {place} part of the picture"


def _say_passage(one: Record) -> str:
    cause = say_cause({**one, "area_pixels": None, "position": "within"}) if set(one["causes"]) & set(CAUSE_WORDS) - {"unmatched"} else ""
    words = "only the HDR release has it" if "unmatched" in one["causes"] else cause
    return f"{say_time(one['start_s'])} to {say_time(one['stop_s'])}, {say_nits(one['nits'])}" + (f" ({words})" if words else "")


def contaminant_rows(contaminants: Record) -> list[dict[str, str]]:
    """A row for each kind of thing that was found, with an innocent explanation.

    Parameters
    ----------
    contaminants : the `contaminants` of a result.
    """
    return [
        {
            "kind": KIND_WORDS[one["kind"]],
            "treatment": TREATMENT_WORDS[one["treatment"]],
            "extent": _say_extent(one),
            "level": say_nits(one["level_nits"]) if one["level_nits"] is not None else "",
            "max_cll": say_nits(one["max_cll_without_nits"]) + _say_kind(one),
            "max_fall": say_nits(one["max_fall_without_nits"]),
            "innocent": INNOCENT_WORDS[one["kind"]],
        }
        for one in contaminants["found"]
    ]


def _say_kind(one: Record) -> str:
    kind = one.get("max_cll_kind", "as_defined")
    return "" if kind == "as_defined" else f" ({LEVEL_WORDS[kind]})"


def _say_extent(one: Record) -> str:
    if one["kind"] == "bars":
        return f"{say_share(one['area_share'])} of the coded picture"
    held = f"{one['frames']} frame{'' if one['frames'] == 1 else 's'}"
    if one["pictures"] is not None:
        held = f"{one['pictures']} scored picture{'' if one['pictures'] == 1 else 's'}, {say_share(one['area_share'])} of each"
    times = "" if one["first_s"] is None else f", between {say_time(one['first_s'])} and {say_time(one['last_s'])}"
    return held + times


FIGURES: tuple[tuple[str, str, Callable[[float | None], str]], ...] = (
    ("Highlight headroom", "headroom_stops", say_stops),
    ("Preference loss", "preference_loss", say_jod),
    ("Notice probability", "notice_probability", say_share),
    ("Picture above SDR white, on average", "area_share", say_share),
    ("Time with headroom", "time_share", say_share),
    ("MaxCLL of the HDR release, no part of the verdict", "max_cll_nits", say_nits),
    ("MaxFALL of the HDR release, no part of the verdict", "max_fall_nits", say_nits),
)
"""Names, keys and ways of saying the headline figures, in the order of the report."""


def headline_rows(contaminants: Record) -> list[tuple[str, str, str]]:
    """Each headline figure with everything counted and without what was found.

    Parameters
    ----------
    contaminants : the `contaminants` of a result.

    Returns
    -------
    list
        Name, with, without; empty where the figures were not made.
    """
    both = contaminants["with_them"], contaminants["without_them"]
    if both[0] is None or both[1] is None:
        return []
    kinds = [" (as defined)", _say_kinds(contaminants)]
    rows = [
        (name, *(say(one[key]) + (kind if key == "max_cll_nits" else "") for one, kind in zip(both, kinds, strict=True)))
        for name, key, say in FIGURES
    ]
    return [("Label", WORDS[both[0]["label"]], WORDS[both[1]["label"]]), *((name, first, last) for name, first, last in rows)]


def say_in_short(peak: Record | None, contaminants: Record | None) -> list[str]:
    """What a terminal shows: a line on the peak where its cause is not the film, and one on what does not count in the scores.

    Parameters
    ----------
    peak, contaminants : of a result; None where there are none.
    """
    lines: Sequence[str] = ()
    if peak is not None and peak["causes"]:
        lines = say_peak(peak, contaminants)
        lines = [" ".join(line for line in lines if line.startswith(("MaxCLL", "Without")))]
    found = [] if contaminants is None else contaminants["found"]
    taken = [f"{KIND_WORDS[one['kind']]} ({_say_extent(one)})" for one in found if one["treatment"] in ("left_out", "masked")]
    if taken and contaminants is not None:
        first, last = contaminants["with_them"], contaminants["without_them"]
        flip = ""
        if first is not None and last is not None:
            flip = f" With them: {WORDS[first['label']]}, headroom {say_stops(first['headroom_stops'])}."
        lines = [*lines, f"Not counted in the scores: {'; '.join(taken)}.{flip}"]
    return [line for line in lines if line and line != NO_VALUE]
