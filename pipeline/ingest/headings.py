"""What a column heading says: quantity or field, unit, basis, reference temperature, stage, time zone.

A heading counts only if its name stands in the table of spellings once unit, basis and the like are
split off; nothing is guessed from likeness. What is left over is reported, not dropped.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from pipeline.ingest.database_names import as_before
from pipeline.ingest.drop_worths import PER_DROP, stated_drop
from pipeline.ingest.meanings import Meaning, OwnSpellings, meanings
from pipeline.ingest.names import may_name, read_name, spaced
from pipeline.ingest.spellings import heading_words, key, word_keys, word_table
from pipeline.ingest.titrants import is_titrant_volume, without_strength
from pipeline.ingest.unit_text import (
    UnitText,
    ends_like_unit,
    split_basis,
    split_temperature,
    split_unit,
)
from pipeline.notation.grammar import is_unit
from pipeline.notation.signs import fold
from pipeline.notation.vocabulary import form, is_formula

if TYPE_CHECKING:
    from collections.abc import Iterator

_VOLUME: Final = "titrant_ml"
DROP_TESTS: Final = ("total_hardness", "calcium_hardness", "magnesium_hardness", "alkalinity")
_STRENGTH_UNIT: Final = re.compile(r"\s*[(\[]\s*([MN])\s*[)\]]$")
_STRENGTH_UNITS: Final = {"M": "mol/L", "N": "eq/L"}
_NAME: Final = 3  # letters of a name; a shorter word may be a unit or a symbol
_TOGETHER: Final = {"nitrate", "nitrite"}  # what is read as a sum
_LONGEST: Final = 120  # letters; a longer cell is prose, not a heading
_DEPTH: Final = 5  # parts that may be split off one heading
_ZONE: Final = re.compile(
    r"[\s,;(\[]+((?:GMT|UTC)\s*(?:[+\-\u2212]\s*\d{1,2}(?::?\d{2})?)?|[+\-\u2212]\d{2}:\d{2}|MEZ|MESZ|CET|CEST|JST|EST|EDT|CST|CDT|MST|MDT|PST|PDT)[\s)\]]*$"
)
_BRACKET: Final = re.compile(r"[(\[{（【]([^()\[\]{}（）【】]*)[)\]}）】]")
_SIGN_UNIT: Final = re.compile(r"[(\[{]\s*(?:[^\w\s()\[\]{}]+|[°º˚][^()\[\]{}]*)\s*[)\]}]|%\s*$")
_WORD: Final = re.compile(r"[^\W_]+")
_JOINED: Final = re.compile(r"(?:[+&/]|\b(?:and|und|et|plus))\s*$")  # "Ca + Mg" is no calcium as magnesium
_GLUED_FLAG: Final = re.compile(r"^flag(?=[A-Z])")
_REMARK_CODE: Final = re.compile(r"^R(\d{5})$")


@dataclass(frozen=True)
class Heading:
    """A heading taken apart; ``meanings`` is empty if its name is not understood.

    ``name`` is what was left to be looked up when everything else was split off.

    ``drop`` is what the heading says that one drop is worth, its number and its unit.

    ``affix`` is what the column holds of the named quantity: "drops", "typed", "titrant_ml", "unit",
    "qualifier", "limit", a kit field, or "" for the quantity itself.
    """

    text: str
    meanings: tuple[Meaning, ...] = ()
    name: str = ""
    unit: str = ""
    basis: str = ""
    at: str = ""
    time_zone: str = ""
    stage: str = ""
    affix: str = ""
    drop: tuple[str, str] = ("", "")
    echo: tuple[str, ...] = ()
    own: bool = False

    def chosen(self, present: frozenset[str] = frozenset()) -> Meaning | None:
        """Choose the meaning that holds in a file whose analytes and heading keys are ``present``."""
        holding = [meaning for meaning in self.meanings if meaning.holds(present)]
        tied = [meaning for meaning in holding if meaning.beside]
        return next(iter(tied or holding), None)


@lru_cache(maxsize=32768)
def read_heading(text: str, own: OwnSpellings | None = None) -> Heading:
    """Take a heading apart.

    Parameters
    ----------
    text : the heading as written.
    own : spellings of a layout, looked up before the common table.

    Example
    -------
    >>> heading = read_heading("Leitfähigkeit bei 20 °C [µS/cm]")
    >>> heading.meanings[0].code, heading.unit, heading.at
    ('conductivity', 'µS/cm', '20')
    """
    blank = Heading(text)
    if not any(map(str.isalpha, text)):
        return blank
    written = " ".join(unicodedata.normalize("NFC", text).split())
    if not written or len(written) > _LONGEST or not any(sign.isalpha() for sign in written):
        return blank
    if not (own and own.only) and (titrated := _of_titrant(written, own)):
        return replace(titrated, text=text)
    if (counted := stated_drop(written)) and (count := _of_count(read_heading(counted.plain, own))):
        return replace(count, text=text, drop=counted[1:])
    if not (own and (own.only or key(written) in own.folded)) and _of_two(written):
        return blank
    settled = _settled(_search(written, blank, own, _DEPTH) or blank)
    if not settled.meanings and not (own and own.only):
        settled = (_compose(written, blank, _DEPTH, set()) if may_name(written) else None) or blank
        settled = settled if settled.meanings else _of_rewritten(blank, own)
    return settled if settled.own else _worth_of_drop(_water_taken(settled))


def _water_taken(heading: Heading) -> Heading:
    """Take "Probe (ml)" or "eau ml" for how much water was taken: a label has no volume."""
    labelled = any((meaning.kind, meaning.code) == ("field", "label") for meaning in heading.meanings)
    volume = labelled and heading.unit.casefold() == "ml"
    return replace(heading, meanings=(Meaning("field", "used_ml"),)) if volume else heading


def _of_count(heading: Heading) -> Heading | None:
    """Take a quantity whose heading says what a drop is worth for a count of drops; None for another heading."""
    counts = bool(heading.meanings) and heading.meanings[0].kind == "analyte" and heading.affix in ("", "drops")
    return replace(heading, affix="drops") if counts and not heading.unit else None


def _of_rewritten(blank: Heading, own: OwnSpellings | None) -> Heading:
    """Read the quantity that a database or a symbol behind the unit hides."""
    for plain in as_before(blank.text):
        found = read_heading(plain.text, own)
        if not found.meanings or found.meanings[0].kind != "analyte":
            continue
        codes = {meaning.code for meaning in meanings(plain.symbol)} if plain.symbol else set()
        if not plain.symbol or (found.unit and found.meanings[0].code in codes):
            return replace(found, text=blank.text)
    return blank


def _of_two(text: str) -> bool:
    """Tell whether a heading names two quantities, one behind the other: "Calcium / Hardness" may be either."""
    parts = [part.strip() for part in _BRACKET.sub(" ", text).split("/")]
    letters = [part.replace(" ", "") for part in parts]
    if len(parts) != 2 or not all(len(part) >= _NAME and part.isalpha() for part in letters):  # noqa: PLR2004 - two names
        return False
    meant = [read_heading(part).chosen() for part in parts]
    codes = {meaning.code for meaning in meant if meaning is not None and meaning.kind == "analyte"}
    return len(codes) == len(parts) and not codes <= _TOGETHER


def _of_titrant(text: str, own: OwnSpellings | None) -> Heading | None:
    """Read "0.02 N acid (mL)" without its concentration and "EDTA (M)" as mol/L, if they are of a titrant at all."""
    if (plain := without_strength(text)) != text:
        volume = read_heading(plain, own)
        named = volume.affix == _VOLUME or any(meaning.code == _VOLUME for meaning in volume.meanings)
        return volume if named else None
    if stated := _STRENGTH_UNIT.search(text):
        field = read_heading(text[: stated.start()], own)
        titrant = any(meaning.code.startswith("titrant_") for meaning in field.meanings)
        return (
            replace(field, unit=_STRENGTH_UNITS[stated[1]]) if titrant and field.meanings[0].kind == "field" else None
        )
    return None


def _worth_of_drop(heading: Heading) -> Heading:
    """Take the unit of "°dH per drop" or "gpg/Tropfen": the column holds what one drop is worth.

    The test may be named before or behind: "KH °dH pro Tropfen", "°f/goutte TAC".
    """
    folded = fold(heading.text)
    stated = PER_DROP.search(folded.text)
    if stated is None:
        return heading
    before, behind = folded.original(0, stated.start()), folded.original(stated.end(), len(folded.text))
    for place in (0, *(found.end() for found in re.finditer(r"[\s(\[]+", before))):
        unit = split_unit(before[place:]) if is_unit(before[place:]) else None
        name = f"{before[:place]} {behind}".strip(" ([-:,")
        if unit is None:
            continue
        worth = f"{unit.unit} {unit.basis}".strip()
        if not name:
            return Heading(heading.text, (Meaning("field", "degree_per_drop"),), unit=worth)
        test = read_heading(name)
        if test.meanings and test.meanings[0].code in DROP_TESTS and not test.unit:
            return replace(test, text=heading.text, affix="degree_per_drop", unit=worth)
    return heading


def _search(text: str, so_far: Heading, own: OwnSpellings | None, depth: int) -> Heading | None:
    """Look a heading up, and then each rest of it, in the table of spellings."""
    if own and (special := own.folded.get(key(text))):
        return replace(so_far, meanings=(special,), name=text, own=True)
    # A sign such as "%" vanishes from the key, so it must be split off first.
    if not (own and own.only) and not _SIGN_UNIT.search(text) and (found := meanings(text)):
        return replace(so_far, meanings=found, name=text)
    if not (own and own.only) and not so_far.affix and is_titrant_volume(key(text)):
        return replace(so_far, meanings=(Meaning("role", _VOLUME),), name=text)
    if not depth or not text:
        return None
    for rest, found_so_far in _stripped(text, so_far):
        if result := _search(rest.strip(), found_so_far, own, depth - 1):
            return result
    return None


def _compose(text: str, so_far: Heading, depth: int, seen: set[tuple[str, Heading]]) -> Heading | None:
    """Read the smallest rest of a heading as a name put together from words, then what was split off from it."""
    if (text, so_far) in seen:
        return None
    seen.add((text, so_far))
    if depth and text:
        for rest, found_so_far in (*_stripped(text, so_far), *_unwrapped(text, so_far)):
            if result := _compose(rest.strip(), found_so_far, depth - 1, seen):
                return result
    if _BRACKET.search(text) or _SIGN_UNIT.search(text):
        return None
    found = replace(so_far, meanings=meanings(text), name=text)
    if not found.meanings and split_unit(text) is None:
        name = read_name(text, cut=depth == _DEPTH)
        if name is None or (name.statistic and so_far.affix):
            return None
        affix = "statistic" if name.statistic else so_far.affix
        found = replace(found, meanings=(name.meaning,), affix=affix)
    settled = _settled(found)
    return settled if settled.meanings else None


def _unwrapped(text: str, so_far: Heading) -> Iterator[tuple[str, Heading]]:
    """Offer the text in brackets as several brackets or as part of the name, and joined words apart.

    A name in brackets is no part of another: "Härte (Calcium)" may be hardness as calcium too.
    """
    if bracket := _BRACKET.search(text):
        before, inner, after = text[: bracket.start()], bracket[1].strip(), text[bracket.end() :]
        if len(parts := [part.strip() for part in re.split(r"[,;、]\s*", inner) if part.strip()]) > 1:
            yield f"{before}{' '.join(f'({part})' for part in parts)}{after}", so_far
        if not _stands_apart(inner):
            yield f"{before} {inner} {after}", so_far
    if (apart := spaced(text)) != text:
        yield apart, so_far


def _stands_apart(inner: str) -> bool:
    """Tell whether the text in brackets is a name of its own, or begins with a unit that must explain all of it."""
    name, words = read_name(inner), inner.split()
    own_name = bool(meanings(inner)) or (name is not None and name.meaning.kind == "analyte")
    return own_name or any(is_unit(" ".join(words[:count])) for count in range(1, len(words) + 1))


def _stripped(text: str, so_far: Heading) -> Iterator[tuple[str, Heading]]:
    """Offer every reading in which one part has been split off."""
    if not so_far.time_zone and (zone := _ZONE.search(text)):
        yield text[: zone.start()], replace(so_far, time_zone=zone[1].strip())
    if bracket := _BRACKET.search(text):
        # The unit may hold the bracket: "mmol(eq)/L", "mg/l (N)".
        if not so_far.unit:
            yield from _unit_suffix(text, so_far, form_may_lead=False)
        rest = f"{text[: bracket.start()]} {text[bracket.end() :]}"
        yield from ((rest, part) for part in _bracketed(bracket[1].strip(), so_far))
    else:
        yield from _stated(text, so_far)
        if not so_far.unit:
            yield from _unit_suffix(text, so_far)
    yield from _words(text, so_far)


def _stated(text: str, so_far: Heading) -> Iterator[tuple[str, Heading]]:
    rest, at = split_temperature(text)
    if at and not so_far.at:
        yield rest, replace(so_far, at=at)
    rest, basis = split_basis(text)
    if basis and not so_far.basis and not _JOINED.search(rest):
        yield rest, replace(so_far, basis=basis)
    if not so_far.affix:
        if glued := _GLUED_FLAG.match(text):
            yield text[glued.end() :], replace(so_far, affix="qualifier")
        if code := _REMARK_CODE.match(text):
            yield f"P{code[1]}", replace(so_far, affix="qualifier")


def _bracketed(inner: str, so_far: Heading) -> Iterator[Heading]:
    """Read the text in brackets: unit, basis, temperature, stage, a by-word, or the name again."""
    unit = split_unit(inner)
    if unit and not so_far.unit:
        yield _with_unit(so_far, unit)
    rest, at = split_temperature(f"x {inner}")
    if at and not so_far.at and rest.strip(" x") == "":
        yield replace(so_far, at=at)
    rest, basis = split_basis(f"x {inner}")
    if basis and not so_far.basis and rest.strip(" x") == "":
        yield replace(so_far, basis=basis)
    if not so_far.stage and (stage := word_table("stages").get(key(inner))):
        yield replace(so_far, stage=stage)
    if not so_far.affix and (affix := _affix(key(inner))):
        yield replace(so_far, affix=affix)
    if key(inner) in _fractions() or not key(inner):
        yield so_far
    else:
        yield replace(so_far, echo=(*so_far.echo, inner))


def _affix(folded: str) -> str:
    return word_table("affixes").get(folded, "") or (_VOLUME if is_titrant_volume(folded) else "")


def _with_unit(so_far: Heading, unit: UnitText) -> Heading:
    return replace(so_far, unit=unit.unit, basis=so_far.basis or unit.basis, at=so_far.at or unit.at)


def _unit_suffix(text: str, so_far: Heading, *, form_may_lead: bool = True) -> Iterator[tuple[str, Heading]]:
    """Split a unit off the end; one with a slash or degree sign may be glued to the name.

    A form before the unit may belong to the name ("Alcalinità HCO3 mg/L"), so that is tried last.
    """
    if not ends_like_unit(text):
        return
    led: list[tuple[str, Heading]] = []
    for start in range(1, len(text)):
        # "水温/℃" is how quantities stand over columns in GB and ISO style.
        bounded = text[start - 1] in " _,;/" or text[start] in " _,;"
        tail = text[start:].strip(" _,;")
        if key(tail).replace(" ", "") == "ph":
            continue  # the quantity, not its unit: "Hodnota pH"
        # "Ca / Mg" names two ions.
        joined = _JOINED.search(text[:start]) and not (text[start - 1] == "/" and (is_unit(tail) or not tail.isascii()))
        if not tail or (not bounded and not re.search(r"[/°]", tail)) or joined:
            continue
        unit = split_unit(tail)
        if unit and (len(fold(unit.unit).text) > 1 or unit.unit in "Cc%") and (unit.unit or tail[-1].isalpha()):
            found = (text[:start].strip(" _,;/"), _with_unit(so_far, unit))
            if unit.basis and not tail.lstrip("([").startswith(unit.unit[:1]):
                led.append(found)
            else:
                yield found
    if form_may_lead:
        yield from led


@lru_cache(maxsize=1)
def _fractions() -> frozenset[str]:
    return frozenset(word_keys(heading_words()["fractions"]))


def _words(text: str, so_far: Heading) -> Iterator[tuple[str, Heading]]:
    """Split kit words, stage words and by-words off either end, longest first."""
    words = list(_WORD.finditer(text))
    for count in range(min(4, len(words) - 1), 0, -1):
        ends = (
            (text[words[-count].start() :], text[: words[-count].start()]),
            (text[: words[count - 1].end()], text[words[count - 1].end() :]),
        )
        for part, rest in ends:
            folded = key(part)
            if not so_far.affix and (affix := _affix(folded)):
                yield rest, replace(so_far, affix=affix)
            if not so_far.stage and (stage := word_table("stages").get(folded)):
                yield rest, replace(so_far, stage=stage)
            if folded in _fractions():
                yield rest, so_far


def _settled(found: Heading) -> Heading:
    """Drop readings that contradict themselves; bring unit, basis and temperature together."""
    if not found.meanings:
        return found
    if found.meanings[0].kind == "field" and found.meanings[0].code == found.affix:
        found = replace(found, affix="")  # "sample volume (ml)" says the same twice
    if found.basis and found.meanings[0].kind == "role" and not _formula_in(found):
        return Heading(found.text)  # "Teneur en calcium" is no value that counts as calcium
    fitting = tuple(meaning for meaning in found.meanings if _echoed(meaning, found.echo))
    if not fitting:
        if found.meanings[0].code == "temperature" and found.echo in (("F",), ("f",)):
            return replace(found, unit="°F", echo=())
        return Heading(found.text)
    return replace(found, meanings=fitting)


def _formula_in(heading: Heading) -> bool:
    """Tell whether the form of a heading stands in it as a formula, or is the usual calcium carbonate."""
    words = re.findall(r"[^\W_]+", heading.text)
    return heading.basis == "as CaCO3" or any(is_formula(word) and form(word) == heading.basis for word in words)


def _echoed(meaning: Meaning, echo: tuple[str, ...]) -> bool:
    """Tell whether every text in brackets says the same name again."""
    names = ((*meanings(text), *(name.meaning for name in (read_name(text),) if name)) for text in echo)
    return all(any(other.code == meaning.code for other in said) for said in names)
