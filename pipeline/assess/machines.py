"""Machines as water sees them: where it is heated, how hot, how much of it, and from what metal."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.assess.machine_words import WHOLE_KINDS, machine_described
from pipeline.assess.user_tables import bounded_number, known_keys, read_tables, refused
from pipeline.chemistry.water import BAR_PER_ATM, saturation_pressure_atm
from pipeline.errors import KettlestoneError
from pipeline.reference import gathered, records

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from pipeline.arrays import Floats


NOT_KNOWN: Final = "not known"
METALS: Final = ("copper", "brass", "stainless steel", "aluminium")
CONNECTIONS: Final = ("plumbed", "reservoir", NOT_KNOWN)
_GRID_C: Final = np.arange(90.0, 150.01, 0.05)
_NUMBERS: Final = {
    "litres_per_day": (0.0, 1e6),
    "days_per_year": (0.0, 366.0),
    "boiler_litres": (0.01, 1e4),
    "steam_litres_per_day": (0.0, 1e6),
    "drain_days": (0.0, 3650.0),
}
_PART_NUMBERS: Final = {"temperature_c": (20.0, 130.0), "steam_bar_g": (0.0, 1.7), "share": (0.0, 1.0)}
_YES_OR_NO: Final = ("level_probe", "brews")
_SHARES_CLOSE: Final = 1e-6
_TELLING_LETTERS: Final = 7  # a shorter single word, such as "filter" or "red", means too much inside a text
_NEGATION: Final = re.compile(r"\b(?:no|not|non|without|kein|keine|nicht|ohne|sans|pas|senza|sin)\b")


@dataclass(frozen=True)
class Part:
    """One place where water is heated: its temperature [°C] and its share of all water [-]."""

    place: str
    temperature_c: float
    share: float


@dataclass(frozen=True)
class Machine:
    """A machine profile; a number that is not known is missing (NaN). ``brews``: its water becomes a drink."""

    name: str
    title: str
    parts: tuple[Part, ...]
    metals: tuple[str, ...] = ()
    connection: str = NOT_KNOWN
    litres_per_day: float = math.nan
    days_per_year: float = 310.0
    boiler_litres: float = math.nan
    steam_litres_per_day: float = math.nan
    drain_days: float = math.nan
    level_probe: bool = False
    brews: bool = True

    @property
    def concentration(self) -> float:
        """Times by which a steam boiler concentrates salts until it is drained; 1 without one.

        1 + V(steam)/V(boiler) [CP]: what leaves as steam leaves its salts behind.
        """
        factor = 1.0 + self.steam_litres_per_day * self.drain_days / self.boiler_litres
        return 1.0 if math.isnan(factor) else factor


def steam_temperature_c(gauge_bar: Floats) -> Floats:
    """Temperature of a steam boiler from what its pressure gauge shows.

    Parameters
    ----------
    gauge_bar : (n,) pressure above the air [bar], 0 to about 3.

    Returns
    -------
    (n,) [°C], on the boiling line at 1.01325 bar of air.

    Notes
    -----
    The vapour pressure equation [WP1993], inverted by interpolation on a grid of 0.05 K.

    Example
    -------
    >>> steam_temperature_c(np.array([0.8, 1.0, 1.2, 1.5])).round(1).tolist()
    [117.1, 120.4, 123.4, 127.6]
    """
    pressure = np.log(saturation_pressure_atm(_GRID_C) * BAR_PER_ATM)
    return floats(np.interp(np.log(floats(gauge_bar) + BAR_PER_ATM), pressure, _GRID_C))


def _temperature(temperature_c: float, steam_bar_g: float) -> float:
    return temperature_c if math.isnan(steam_bar_g) else float(steam_temperature_c(np.array([steam_bar_g]))[0])


@cache
def known_machines() -> dict[str, Machine]:
    """Give the built-in machine profiles by name; ``"not known"`` stands for any other."""
    parts = gathered(records("machine_parts"), "machine")
    found = {}
    for row in records("machines"):
        numbers = {name: float(row[name]) for name in _NUMBERS}
        found[str(row["machine"])] = Machine(
            name=row["machine"],
            title=row["title"],
            parts=tuple(
                Part(part["part"], _temperature(part["temperature_c"], part["steam_bar_g"]), part["share"])
                for part in parts[row["machine"]]
            ),
            metals=tuple(metal for metal in METALS if metal in str(row["metals"])),
            connection=row["connection"],
            level_probe=row["level_probe"] == "yes",
            brews=row["brews"] == "yes",
            **numbers,
        )
    return found


def load_machines(path: Path) -> dict[str, Machine]:
    """Read machines of one's own; each begins as a built-in one and changes what it names.

    Parameters
    ----------
    path : TOML with tables ``[machines.NAME]``: ``base`` (a built-in name, required), ``title``, ``metals``,
        ``connection``, ``litres_per_day``, ``days_per_year``, ``boiler_litres``, ``steam_litres_per_day``,
        ``drain_days``, ``level_probe``, ``brews``, ``parts = [{place = "brew", temperature_c = 94, share = 0.8}, …]``
        (``steam_bar_g`` instead of ``temperature_c`` for a steam boiler; shares add up to 1).

    Raises
    ------
    KettlestoneError : the file cannot be read, or something in it is unknown or out of range.
    """
    return {name: _own(path, name, values) for name, values in read_tables(path, "machines").items()}


def machines_with(path: Path | None) -> dict[str, Machine]:
    """Give the built-in machines and those of one's own, which take the place of a built-in one of their name.

    Parameters
    ----------
    path : as for `load_machines`; None for none of one's own.
    """
    return {**known_machines(), **(load_machines(path) if path else {})}


def _own(path: Path, name: str, values: dict[str, Any]) -> Machine:
    place, built_in = f"machines.{name}", known_machines()
    known_keys(path, place, values, ("base", "title", "metals", "connection", *_YES_OR_NO, "parts", *_NUMBERS))
    if values.get("base") not in built_in:
        raise refused(path, place, f"base must be one of {', '.join(built_in)}")
    numbers = {
        key: bounded_number(path, f"{place}.{key}", values[key], *bounds)
        for key, bounds in _NUMBERS.items()
        if key in values
    }
    metals, connection = values.get("metals", []), values.get("connection", NOT_KNOWN)
    if not isinstance(metals, list) or not set(map(str, metals)) <= set(METALS):
        raise refused(path, place, f"metals are a list of {', '.join(METALS)}")
    if connection not in CONNECTIONS:
        raise refused(path, place, f"connection is one of {', '.join(CONNECTIONS)}")
    for key in _YES_OR_NO:
        if not isinstance(values.get(key, False), bool):
            raise refused(path, place, f"{key} is true or false")
    changed: dict[str, Any] = {**numbers, "name": name, "title": str(values.get("title", name))}
    changed |= {key: values[key] for key in ("connection", *_YES_OR_NO) if key in values}
    changed |= {"metals": tuple(metals)} if "metals" in values else {}
    changed |= {"parts": _parts(path, place, values["parts"])} if "parts" in values else {}
    return replace(built_in[values["base"]], **changed)


def _parts(path: Path, place: str, given: object) -> tuple[Part, ...]:
    if not isinstance(given, list) or not given or not all(isinstance(part, dict) for part in given):
        raise refused(path, place, "parts is a list of {place, temperature_c or steam_bar_g, share}")
    parts = []
    for part in given:
        known_keys(path, f"{place}.parts", part, ("place", *_PART_NUMBERS))
        if "place" not in part or "share" not in part or ("temperature_c" in part) == ("steam_bar_g" in part):
            raise refused(path, f"{place}.parts", "each part has place, share, and one of temperature_c, steam_bar_g")
        values = {
            key: bounded_number(path, f"{place}.parts.{key}", part[key], *bounds)
            for key, bounds in _PART_NUMBERS.items()
            if key in part
        }
        heat = _temperature(values.get("temperature_c", math.nan), values.get("steam_bar_g", math.nan))
        parts.append(Part(str(part["place"]), heat, values["share"]))
    if abs(sum(part.share for part in parts) - 1.0) > _SHARES_CLOSE:
        raise refused(path, f"{place}.parts", "the shares of the parts do not add up to 1")
    if len({part.place for part in parts}) < len(parts):
        raise refused(path, f"{place}.parts", "two parts have the same place")
    return tuple(parts)


def recognise(texts: pd.Series[str], machines: Iterable[str]) -> pd.DataFrame:
    """Find the machine profile and the connection a text of a record means.

    Parameters
    ----------
    texts : (n,) as the file wrote it, "" where it said nothing.
    machines : names of the known profiles, which are understood too.

    Returns
    -------
    (n, 2) frame, index of ``texts``: ``machine`` (``"not known"`` where the words are not in the table, or
    name two machines) and ``connection``.

    Notes
    -----
    Words of ``machine_names.csv``, whole, between , ; / ( ) +, or standing inside a longer text ("dual boiler
    in stainless steel"): nothing is guessed. Inside a text only a name of two words or of seven letters counts, and
    none in a piece that says "not" or "without". What they leave open `machine_words` reads: "two-boiler espresso".

    Example
    -------
    >>> recognise(pd.Series(["Zweikreiser mit Wassertank", "steam engine"]), known_machines())["machine"].tolist()
    ['heat exchanger', 'not known']
    """
    names = gathered(records("machine_names"), "kind")
    words = {kind: {row["text"]: row["meaning"] for row in rows} for kind, rows in names.items()}
    words["machine"] = {**words["machine"], **{name.casefold(): name for name in machines}}
    codes, unique = pd.factorize(texts.fillna("").astype("str"))
    columns = {}
    for kind in ("machine", "connection"):
        meant = [_meaning(str(text), words[kind]) for text in unique]
        if kind == "machine":
            meant = [_described(str(text), found) for text, found in zip(unique, meant, strict=True)]
        columns[kind] = pd.array(meant, dtype="str").take(codes)
    return pd.DataFrame(columns, index=texts.index)


def named_machine(text: str, machines: dict[str, Machine]) -> str:
    """Find the profile a person's word means, "" where none is given; a word nobody knows is no assumption.

    Raises
    ------
    KettlestoneError : the word means none of them.
    """
    if not text:
        return ""
    found = str(recognise(pd.Series([text], dtype="str"), machines)["machine"].item())
    if found == NOT_KNOWN and text != NOT_KNOWN:
        raise KettlestoneError(f'machine "{text}" is not known. Known: {", ".join(machines)}. Nothing was assessed.')
    return found


def named_metals(text: str) -> tuple[str, ...]:
    """Name the metals a text speaks of, in the order of `METALS`.

    Parameters
    ----------
    text : what a record says of a machine or its boiler; a word of ``machine_names.csv`` may be part of a longer one.

    Example
    -------
    >>> named_metals("Kupferboiler"), named_metals("doppia caldaia inox"), named_metals("lever, 2 groups")
    (('copper',), ('stainless steel',), ())
    """
    small = text.casefold()
    stems = gathered(records("machine_names"), "kind")["metal"]
    meant = {row["meaning"] for row in stems if re.search(rf"\b{row['text']}", small)}
    return tuple(metal for metal in METALS if metal in meant)


def _meaning(text: str, words: dict[str, str]) -> str:
    whole = " ".join(text.casefold().split())
    pieces = [whole]
    for mark in ",;/()+":
        pieces = [part for piece in pieces for part in piece.split(mark)]
    pieces = [piece.strip() for piece in pieces]
    meant = {words[piece] for piece in (whole, *pieces) if piece in words}
    if not meant:
        meant = {meaning for piece in pieces for meaning in _inside(piece, words)}
    return meant.pop() if len(meant) == 1 else NOT_KNOWN


def _described(text: str, found: str) -> str:
    """Take what a text describes where no name of the table settles it, or where it says more than which boiler."""
    kind = machine_described(text)
    return kind if kind and (found == NOT_KNOWN or (kind in WHOLE_KINDS and found.endswith("boiler"))) else found


def _inside(piece: str, words: dict[str, str]) -> list[str]:
    """Give the meanings of the names that stand as whole words in a piece, the longest first and each place once."""
    if _NEGATION.search(piece):
        return []
    telling = [name for name in words if name in piece and (" " in name or len(name) >= _TELLING_LETTERS)]
    found = []
    for name in sorted(telling, key=len, reverse=True):
        piece, times = re.subn(rf"(?<!\w){re.escape(name)}(?!\w)", "|", piece)
        found += [words[name]] * (times > 0)
    return found
