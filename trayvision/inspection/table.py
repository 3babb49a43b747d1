"""Inspection records as a table a person reads in a terminal."""

from collections.abc import Sequence
from typing import Any

from trayvision.measurement import give_or_take

Record = dict[str, Any]

# What the person who runs the command can mend; all doubts are in the full record.
_TO_MEND = {
    "coloured_light": "coloured light: take it under white light",
    "size_doubtful": "size doubtful: measure the tray, see that its bars lie in place",
    "day_doubtful": "day doubtful: check when it was spread",
    "no_kit": "no kit: no score",
}
_SPREAD = "± is 1.96 standard uncertainties, reckoned for 19 truths in 20; --json gives one."
_HEADINGS = ("photo", "tray", "day", "score", "cover", "height mm", "seen", "look at")


def print_table(records: Sequence[Record]) -> None:
    """Print one line per tray, and one per photo that could not be measured."""
    rows = [row for record in records for row in _rows(record)]
    widths = [
        max([len(heading)] + [len(row[column]) for row in rows])
        for column, heading in enumerate(_HEADINGS[:-1])
    ]
    for row in (_HEADINGS, *rows):
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
        print("  ".join([*cells, row[-1]]).rstrip())
    if any("±" in cell for row in rows for cell in row):
        print(_SPREAD)


def _rows(record: Record) -> list[tuple[str, ...]]:
    name = record["file"].rsplit("/", 1)[-1]
    rows = [_tray_row(name, tray) for tray in record["trays"]]
    if not rows:
        dash = "–"
        return [(name, dash, dash, dash, dash, dash, dash, record["problem"] or "no tray found")]
    return rows


def _tray_row(name: str, tray: Record) -> tuple[str, ...]:
    return (
        name,
        "whole photo" if tray["tray"] is None else str(tray["tray"]),
        "?" if tray["day"] is None else f"{tray['day']:.1f}",
        _score(tray["score"]),
        _number(tray["cover"], "{:.0%}", scale=100),
        _number(tray["canopy_height_mm"], "{:.0f}"),
        f"{tray['seen']:.0%}",
        _look_at(tray),
    )


def _number(value: Record, form: str, scale: float = 1) -> str:
    if value.get("value") is None:
        return "cannot tell"
    text = form.format(value["value"])
    if value.get("uncertainty") is not None:
        spread = give_or_take(value["uncertainty"] * scale).replace("less than ", "<")
        text += f" ± {spread}"
    return text


def _score(score: Record) -> str:
    """With its bounds where what could not be told may move it far."""
    text = _number(score, "{:.0f}")
    if score["range_words"] is None:
        return text
    return f"{text} ({score['lowest']} to {score['highest']})"


def _look_at(tray: Record) -> str:
    # Loads the networks' libraries, which `--help` need not wait for.
    from trayvision.score.health_score import KIT_IN_PHOTO

    found = []
    for patch in tray["mould"]:
        if patch["likelihood"] >= 0.5:
            size = f"{patch['diameter_mm']:.0f} mm" if "diameter_mm" in patch else "patch"
            found.append(f"possible mould ({patch['look']}, {size}, {patch['likelihood']:.0%})")
    found += [words.rstrip(".") for words in tray["score"]["arithmetic"][1:]]
    if tray["slime"]:
        found.append("slime")
    if KIT_IN_PHOTO in tray["score"]["suggestions"]:
        found.append("a kit lies in the photo: leave --whole-photo out")
    found += [words for doubt, words in _TO_MEND.items() if doubt in tray["doubts"]]
    return "; ".join(found)
