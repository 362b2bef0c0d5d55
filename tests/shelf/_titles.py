"""Result folders of invented films, by the hundred: one real result whose titles, figures, settings and frames are varied."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pairdiff.writeup.document import build_frame_table, comparison_to_document
from tests.writeup._example import make_example

FIRST = ("Salt", "Copper", "Quiet", "Second", "Northern", "Paper", "Hollow", "Borrowed", "Amber", "Late")
SECOND = ("Ferry", "Orchard", "Signal", "Winter", "Staircase", "Harbour", "Choir", "Atlas", "Lantern", "Ledger")
THIRD = ("Orrin Quay", "Low Water", "Vell", "the Ninth Mile", "Tarn Hollow")


class Titles:
    """Makes result folders; the example they are made from is computed once."""

    def __init__(self) -> None:
        example = make_example()
        self._document = comparison_to_document(example)
        whole = build_frame_table(example)
        self._frames = pa.concat_tables([whole.filter(pc.field("scored")), whole.filter(~pc.field("scored")).slice(0, 400)])

    def document(self, number: int, **changes: Any) -> dict[str, Any]:
        """Result of a film, other in every figure from that of another number; `changes` are keys with dots for `__`."""
        random = np.random.default_rng(number)
        result = copy.deepcopy(self._document)
        result["title"] = f"The {FIRST[number % 10]} {SECOND[number // 10 % 10]} of {THIRD[number // 100 % 5]}"
        stops = round(float(random.uniform(-0.3, 3.6)), 4)
        label = "wider-range" if stops >= 1 else "restrained-hdr" if stops >= 0.3 else "sdr-in-hdr-container"
        result["headroom"] |= {"stops": stops, "stops_low": stops - 0.2, "stops_high": stops + 0.3}
        own = result["difference"]["on_its_own"]
        for name, low, high in (("notice_probability", 0.5, 0.99), ("preference_loss", 0.02, 2.0), ("share_1", 0.0, 0.9)):
            value = round(float(random.uniform(low, high)), 4)
            own[name] = {"value": value, "low": value * 0.9, "high": min(value * 1.1, 1.0 if name != "preference_loss" else 9.0)}
        result["colour"] |= {"outside_709_share": round(float(random.uniform(0, 0.2)), 4)}
        if number % 7 == 0:
            none = ("clipped_share", "bright_clipped_share", "detail_jnd", "detail_stops", "film_stops", "textured_share")
            result["recovered"] |= {"status": "not_applicable", **dict.fromkeys(none)}
        else:
            result["recovered"] |= {"detail_jnd": round(float(random.uniform(0, 20)), 3)}
        result["verdict"] |= {"label": label, "support": {label: round(float(random.uniform(0.8, 1)), 3)}}
        for side in ("hdr", "sdr"):
            result[side]["file_id"] = f"sha256-sampled:{1000 + number}:{random.bytes(32).hex()}"
        for keys, value in changes.items():
            *path, last = keys.split("__")
            place = result
            for key in path:
                place = place[key]
            place[last] = value
        return result

    def write(self, folder: Path, number: int, **changes: Any) -> Path:
        """A result folder as `compare` leaves it, but for pictures and report."""
        folder.mkdir(parents=True)
        (folder / "result.json").write_text(json.dumps(self.document(number, **changes), indent=2, ensure_ascii=False), encoding="utf-8")
        gain = 1.0 + number % 17 / 10
        bright = pc.multiply(self._frames.column("pair_hdr_p999_nits"), gain)
        place = self._frames.column_names.index("pair_hdr_p999_nits")
        pq.write_table(self._frames.set_column(place, "pair_hdr_p999_nits", bright), folder / "frames.parquet", compression="zstd")
        return folder

    def write_many(self, folder: Path, count: int, *, first: int = 0) -> list[Path]:
        """So many of them."""
        return [self.write(folder / f"film-{number:04d}", number) for number in range(first, first + count)]
