"""The objection sheet: what is usually said against such a comparison, by either side, and what the numbers of this run answer to it.

`answered`: a figure of this run speaks to it. `partly`: there is a figure, and a stated reason why it does not settle the matter.
`cannot_answer`: this run has no figure for it. The sides are those of an argument about pictures: what defends a release, what doubts it.
The list is data; the answers stand in `answers_pictures.py` and `answers_method.py`, a function each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pairdiff._records import Comparison, Objection, ObjectionSide
from pairdiff.verdict import answers_method as method
from pairdiff.verdict import answers_pictures as pictures
from pairdiff.verdict.answer import Answer
from pairdiff.verdict.figures import say_plain


@dataclass(frozen=True, slots=True)
class Subject:
    """One line of the sheet before it is answered."""

    name: str
    objection: str
    raised_by: ObjectionSide
    answer: Callable[[Comparison], Answer]


SUBJECTS = (
    Subject("intent", "The picture was meant to look like this.", "defends", pictures.answer_intent),
    Subject(
        "another_grade", "The release was graded anew for HDR, so it is not the SDR picture.", "defends", pictures.answer_another_grade
    ),
    Subject("average_brightness", "HDR is not about a brighter picture.", "defends", pictures.answer_average_brightness),
    Subject("peaks_high", "It has very bright peaks, so it is HDR.", "defends", pictures.answer_peaks_high),
    Subject("gamut", "It uses colours that the SDR release cannot hold.", "defends", pictures.answer_gamut),
    Subject("shadows", "The gain is in the shadows.", "defends", pictures.answer_shadows),
    Subject(
        "one_curve",
        "An SDR release may be made from the HDR one by a fixed conversion, so one curve between them shows nothing.",
        "defends",
        pictures.answer_one_curve,
    ),
    Subject("layers", "Dynamic metadata or a second layer belongs to the picture, and was not applied.", "defends", pictures.answer_layers),
    Subject("peaks_low", "It has no bright peaks, so it is not HDR.", "doubts", pictures.answer_peaks_low),
    Subject("stretched", "It is the SDR picture made brighter.", "doubts", pictures.answer_stretched),
    Subject("noise", "The differences are grain and coding.", "doubts", pictures.answer_noise),
    Subject("metadata", "The declared light levels show what the release is.", "both", pictures.answer_metadata),
    Subject("setup", "The SDR set was turned too bright, or too dim.", "both", method.answer_setup),
    Subject("own_set", "A set calibrated in another way shows another result.", "both", method.answer_own_set),
    Subject("display", "On another television it looks different.", "both", method.answer_display),
    Subject("sampling", "Only some of the frames were looked at.", "both", method.answer_sampling),
    Subject("one_scene", "One scene shows the opposite.", "both", method.answer_one_scene),
    Subject("matching", "Different frames were compared.", "both", method.answer_matching),
    Subject("reading", "The files were read with wrong tags.", "both", method.answer_reading),
    Subject("thresholds", "The limits were chosen.", "both", method.answer_thresholds),
    Subject("model", "A model is not a viewer.", "both", method.answer_model),
    Subject("stills", "The pictures were picked, and cannot show HDR.", "both", method.answer_stills),
    Subject("other_copy", "Another edition or copy of the release is different.", "both", method.answer_other_copy),
)
"""Every objection, in the order of the sheet."""


def list_objections(comparison: Comparison) -> tuple[Objection, ...]:
    """Answer every standard objection from a finished comparison.

    Parameters
    ----------
    comparison : the whole result, moments included; its own `objections` are not looked at.

    Returns
    -------
    One record a subject, always the same ones in the same order. Figures are in plain characters, as in the other sentences of a result;
    the report sets minus signs and units.
    """
    return tuple(_fill(subject, subject.answer(comparison)) for subject in SUBJECTS)


def _fill(subject: Subject, answer: Answer) -> Objection:
    return Objection(subject.name, subject.objection, subject.raised_by, answer.state, say_plain(answer.words), say_plain(answer.changes))
