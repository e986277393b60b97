"""A layout as data: its properties, read from JSON and checked word by word."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from pipeline.ingest.meanings import Meaning, OwnSpellings
from pipeline.ingest.spellings import heading_words, key
from pipeline.notation.grammar import is_unit
from pipeline.problems import KettlestoneError
from schemas.columns import ANALYTES, OTHER_ANALYTES
from schemas.methods import METHODS
from schemas.tables import ROW_FIELDS, SITE_COLUMNS, TREATMENT_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

LAYOUT_KINDS: Final = ("measurements", "sites", "treatments")
ORIENTATIONS: Final = ("samples-in-rows", "results-in-rows", "parameters-in-rows")
ROLES: Final = (
    "analyte",
    "analyte_code",
    "value",
    "value_again",
    "drops",
    "titrant_ml",
    "unit",
    "basis",
    "fraction",
    "qualifier",
    "condition",
    "limit",
    "quantitation_limit",
    "limit_unit",
    "method",
    "status",
    "ignored",
)


@dataclass(frozen=True)
class Needs:
    """What a header row must have for a layout to fit."""

    measurements: int = 0
    own: int = 0
    all: tuple[str, ...] = ()
    any: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    nothing: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Layout:
    """One kind of file; see ``schemas/layouts/README.md`` for every property."""

    name: str
    title: str
    rank: int
    kind: str
    orientation: tuple[str, ...]
    needs: Needs
    own: OwnSpellings
    sheet: str = ""
    header_row: int = 0
    method: str = "unknown"
    methods: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    about: Mapping[str, str] = field(default_factory=dict)
    encoding: str = "cp1252"
    delimiter: str = ""
    decimal_char: str = ""
    group_char: str = ""
    date_formats: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    non_detect: tuple[str, ...] = ()
    conditions: Mapping[str, str] = field(default_factory=dict)
    unit_aliases: Mapping[str, str] = field(default_factory=dict)
    stated: str = ""  # its JSON, of one that is not built in


def read_layout(path: Path) -> Layout:
    """Read one layout file."""
    try:
        described = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise _broken(path, "the file", f"it is not JSON ({error})") from error
    if not isinstance(described, dict):
        raise _broken(path, "the file", "it must hold one JSON object")
    return from_json(described, path)


def from_json(described: Mapping[str, Any], path: Path) -> Layout:
    """Build a layout from its JSON; ``path`` is named in messages."""
    _check_words(described, path)
    _check_units(described, path)
    words = heading_words()
    return Layout(
        name=described["name"],
        title=str(described.get("title", described["name"])),
        rank=int(described.get("rank", 0)),
        kind=described.get("kind", "measurements"),
        orientation=tuple(described.get("orientation", ORIENTATIONS[:1])),
        needs=_needs(described.get("needs", {}), described.get("kind", "measurements")),
        own=_own(described, path),
        sheet=described.get("sheet", ""),
        header_row=_header_row(described, path),
        method=described.get("method", "unknown"),
        methods=described.get("methods", {}),
        units=described.get("units", {}) | _field_units(described["fields"]),
        about=described.get("about", {}),
        encoding=described.get("encoding", "cp1252"),
        delimiter=described.get("dialect", {}).get("delimiter", ""),
        decimal_char=described.get("decimalChar", ""),
        group_char=described.get("groupChar", ""),
        date_formats=tuple(described.get("dateFormats", ())),
        missing=(*words["missing"], *described.get("missingValues", ())),
        non_detect=(*words["not detected"], *described.get("nonDetect", ())),
        conditions={**words["conditions"], **described.get("conditions", {})},
        unit_aliases=described.get("unitAliases", {}),
    )


def _header_row(described: Mapping[str, Any], path: Path) -> int:
    """Read the line of the first row of headings; 0 where the layout names none."""
    stated = described.get("headerRow")
    if stated is not None and (isinstance(stated, bool) or stated < 1):
        raise _broken(path, "headerRow", f"{stated!r} is no line; the first line of a file or sheet is 1")
    return int(stated or 0)


def _needs(stated: Mapping[str, Any], kind: str) -> Needs:
    words = {name: tuple(stated.get(name, ())) for name in ("all", "any", "only", "nothing")}
    return Needs(
        int(stated.get("measurements", 1 if kind == "measurements" else 0)),
        int(stated.get("own", 0)),
        **words,
    )


# Property → (type, allowed words; empty = any).
_PROPERTIES: Final[dict[str, tuple[type, tuple[str, ...]]]] = {
    "name": (str, ()),
    "rank": (int, ()),
    "kind": (str, LAYOUT_KINDS),
    "orientation": (list, ORIENTATIONS),
    "headings": (str, ("all", "own")),
    "needs": (dict, ("measurements", "own", "all", "any", "only", "nothing")),
    "sheet": (str, ()),
    "headerRow": (int, ()),
    "method": (str, METHODS),
    "methods": (dict, (*ANALYTES, *OTHER_ANALYTES)),
    "units": (dict, (*ANALYTES, *OTHER_ANALYTES)),
    "about": (dict, ROW_FIELDS),
    "encoding": (str, ()),
    "dialect": (dict, ()),
    "decimalChar": (str, ("", ".", ",")),
    "groupChar": (str, ("", ".", ",", " ", "'", "’")),
    "dateFormats": (list, ()),
    "missingValues": (list, ()),
    "nonDetect": (list, ()),
    "conditions": (dict, ()),
    "unitAliases": (dict, ()),
    "confirmUnits": (dict, (*ANALYTES, *OTHER_ANALYTES)),
    "fields": (list, ()),
}


def _check_words(described: Mapping[str, Any], path: Path) -> None:
    for name in ("name", "fields"):
        if name not in described:
            raise _broken(path, name, "it is missing")
    for name, (kind, allowed) in _PROPERTIES.items():
        stated = described.get(name)
        if stated is None:
            continue
        if not isinstance(stated, kind):
            raise _broken(path, name, f"it must be a {kind.__name__}")
        words = stated if isinstance(stated, list | dict) else [stated]
        unknown = [word for word in words if allowed and word not in allowed]
        if unknown:
            raise _broken(path, name, f'"{unknown[0]}" is not one of {", ".join(repr(a) for a in allowed)}')
    try:
        "".encode(described.get("encoding", "cp1252"))
    except LookupError as error:
        raise _broken(path, "encoding", f'"{described["encoding"]}" is not an encoding') from error


def _check_units(described: Mapping[str, Any], path: Path) -> None:
    """Refuse units that are open or that are none."""
    for analyte, question in described.get("confirmUnits", {}).items():
        reason = f"it waits for you ({question}); write the unit into units, delete the line"
        raise _broken(path, f"confirmUnits {analyte}", reason)
    stated = [(f"units {name}", unit) for name, unit in described.get("units", {}).items()]
    fields = [one for one in described["fields"] if isinstance(one, dict)]
    stated += [(f"the unit of {one.get('name', 'a field')}", one["unit"]) for one in fields if one.get("unit")]
    for place, unit in stated:
        aliases = described.get("unitAliases", {})
        if not isinstance(unit, str) or not (is_unit(unit) or unit in aliases):
            raise _broken(path, place, f'"{unit}" is no unit')
    for text, unit in described.get("unitAliases", {}).items():
        if not isinstance(unit, str) or not is_unit(unit):
            raise _broken(path, f"unitAliases {text}", f'"{unit}" is no unit')


def _own(layout: Mapping[str, Any], path: Path) -> OwnSpellings:
    """Collect the layout's own headings: the name and the synonyms of each field."""
    own: dict[str, Meaning] = {}
    only = layout.get("headings", "all") == "own"
    for number, described in enumerate(layout["fields"], 1):
        place = f"fields[{number}]"
        if not isinstance(described, dict) or not isinstance(described.get("name"), str):
            raise _broken(path, place, "it needs a name")
        meaning = _field_meaning(described, path, f"{place} {described['name']}")
        synonyms = described.get("synonyms", [])
        # A plain name ("calcium") is in the common table; it does not make the layout recognisable.
        plain = not only and described["name"] == meaning.code
        for heading in synonyms if plain else (described["name"], *synonyms):
            if not isinstance(heading, str) or own.get(key(heading), meaning) != meaning:
                raise _broken(path, f"{place} synonyms", f'"{heading}" already means something else')
            own[key(heading)] = meaning
    return OwnSpellings(own, only)


def _field_meaning(described: Mapping[str, Any], path: Path, place: str) -> Meaning:
    allowed = {
        "analyte": (*ANALYTES, *OTHER_ANALYTES),
        "field": (*ROW_FIELDS, *SITE_COLUMNS, *TREATMENT_COLUMNS),
        "role": ROLES,
    }
    if "confirm" in described:
        raise _broken(path, place, f"it waits for you ({described['confirm']}); settle it, delete confirm")
    for kind, words in allowed.items():
        if kind in described:
            if described[kind] not in words:
                raise _broken(path, place, f'{kind} "{described[kind]}" is not known')
            return Meaning(kind, described[kind], described.get("basis", ""), described.get("unit", ""))
    raise _broken(path, place, "it needs one of analyte, field, role")


def _field_units(fields: list[dict[str, Any]]) -> dict[str, str]:
    return {part["analyte"]: part["unit"] for part in fields if "analyte" in part and "unit" in part}


def _broken(path: Path, place: str, reason: str) -> KettlestoneError:
    return KettlestoneError(
        f"{path}: the layout cannot be used, {place}: {reason}. Nothing was imported. "
        "Correct the file; schemas/layouts/README.md lists every property."
    )
