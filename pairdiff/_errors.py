"""Every error a caller may meet, one small tree.

    PairdiffError                    exit 3
    |-- UsageError                   exit 2   an option or a settings file says something that cannot be
    |-- InputRefused                 exit 3   a file is missing, empty, not video, swapped, the same twice, or of the wrong kind
    |   |-- SignalUnresolved         exit 3   the colour description is absent or contradicts itself: an option resolves it
    |   `-- DecodeFailed             exit 3   the decoder gave no picture at all
    |-- UnrelatedFilms               exit 4   the two releases do not belong together
    |-- OutputRefused                exit 5   the output folder cannot be written
    |-- NotAsWritten                 exit 6   published pictures or figures are not what was written
    |-- PairsFailed                  exit 7   some pairs of a batch failed; the rest is done
    `-- ClusterRefused               exit 8   no scheduler answers, or its workers cannot do the same work

A message says what is wrong, what was found, and what to do.
"""

from typing import ClassVar


class PairdiffError(Exception):
    """Root of the tree; `exit_code` is what the command line ends with."""

    exit_code: ClassVar[int] = 3


class UsageError(PairdiffError):
    """An option, an argument or a settings file that cannot be used."""

    exit_code = 2


class InputRefused(PairdiffError):
    """A release that cannot be measured as it stands."""


class SignalUnresolved(InputRefused):
    """A colour description that is absent or contradicts itself; the message names the option that resolves it."""


class DecodeFailed(InputRefused):
    """A video stream from which no picture could be decoded."""


class UnrelatedFilms(PairdiffError):
    """Two releases whose pictures do not belong together; the message gives the best candidate and its score."""

    exit_code = 4


class OutputRefused(PairdiffError):
    """An output place that cannot be written."""

    exit_code = 5


class NotAsWritten(PairdiffError):
    """A bundle whose pictures or figures are no longer what was written."""

    exit_code = 6


class PairsFailed(PairdiffError):
    """A batch of which some pairs failed, each with a message of its own; the rest is done."""

    exit_code = 7


class ClusterRefused(PairdiffError):
    """A cluster that cannot be worked on: no scheduler answers, no worker is there, or its workers would not find the same."""

    exit_code = 8
