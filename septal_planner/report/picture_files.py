"""The pictures folder beside a saved plan: grey PNGs, and pictures.json with every mark and scale."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from PIL import Image
from pydantic import TypeAdapter, ValidationError

from septal_planner.output_folder import write_whole
from septal_planner.plan import Plan, plan_as_json
from septal_planner.report.picture import Picture, Pictures
from septal_planner.report.pictures import ORDER
from septal_planner.report.quality import QUALITY_ORDER
from septal_planner.report.views_page import VIEW_NAMES

FOLDER = "pictures"
INDEX = "pictures.json"
EDGES = {"left", "right", "top", "bottom"}
KNOWN = (*ORDER, *QUALITY_ORDER)
ALLOWED = (*KNOWN, *VIEW_NAMES)


@dataclass(frozen=True)
class _Entry:
    file: str
    sha256: str
    picture: Picture


@dataclass(frozen=True)
class _Index:
    schema_version: int
    plan_sha256: str
    pictures: tuple[_Entry, ...]
    not_shown: Mapping[str, str]


def plan_sha256(plan: Plan) -> str:
    """Fingerprint (hex) of a plan's text, by which its pictures know it."""
    return hashlib.sha256(plan_as_json(plan).encode()).hexdigest()


def save_pictures(pictures: Pictures, plan: Plan, folder: Path) -> None:
    """Write `folder`/NAME.png and, last, `folder`/pictures.json. Raises InputRefused where that is not possible."""
    folder.mkdir(parents=True, exist_ok=True)
    entries = []
    for p in pictures.shown:
        write_whole(folder / f"{p.name}.png", p.png)
        entries.append(_Entry(f"{p.name}.png", hashlib.sha256(p.png).hexdigest(), replace(p, png=b"")))
    index = asdict(_Index(1, plan_sha256(plan), tuple(entries), dict(pictures.not_shown)))
    for entry in index["pictures"]:
        del entry["picture"]["png"]
    write_whole(folder / INDEX, (json.dumps(index, separators=(",", ":"), ensure_ascii=False) + "\n").encode())


def load_pictures(folder: Path, plan: Plan) -> Pictures:
    """The pictures saved for this plan. What is missing, spoilt or of another plan is not shown, with the reason."""
    try:
        document = json.loads((folder / INDEX).read_text("utf-8"))
        for entry in document["pictures"]:
            entry["picture"]["png"] = ""
        index = TypeAdapter(_Index).validate_python(document)
    except OSError:
        return _none("Not shown: there is no pictures folder beside the saved plan.")
    except (ValueError, KeyError, TypeError, RecursionError, ValidationError):
        return _none("Not shown: the pictures beside the saved plan cannot be read.")
    # a name becomes a file's name when the pages are set: none but our own
    if any(e.picture.name not in ALLOWED or set(e.picture.edges) != EDGES for e in index.pictures):
        return _none("Not shown: the pictures beside the saved plan cannot be read.")
    if index.plan_sha256 != plan_sha256(plan):
        return _none("Not shown: the pictures beside the saved plan belong to another plan.")
    shown = []
    not_shown = dict(index.not_shown)
    for entry in index.pictures:
        try:
            name = f"{entry.picture.name}.png"
            png = (folder / name).read_bytes() if entry.file == name else b""
        except OSError:
            png = b""
        if hashlib.sha256(png).hexdigest() == entry.sha256 and _is_png(png):
            shown.append(replace(entry.picture, png=png))
        else:
            not_shown[entry.picture.name] = "Not shown: its file beside the saved plan is missing or was changed."
    return Pictures(tuple(shown), not_shown)


def _is_png(content: bytes) -> bool:
    try:
        with Image.open(io.BytesIO(content), formats=["PNG"]) as image:
            image.load()
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        return False
    return True


def _none(why: str) -> Pictures:
    return Pictures((), dict.fromkeys(KNOWN, why))
