"""Read a unit: amount, prefix, volume or length, degree, chemical form, reference temperature; all of it or nothing."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import Final

from pipeline.notation import vocabulary
from pipeline.notation.signs import Folded, fold, squeezed

_EXPONENT: Final = re.compile(r"\s*\b([a-z]+?)?\s?(dm|cm|m|l|liter|litre|litro|gal)\s?-\s?([13])\b")
_BRACKETS: Final = (("(", ")"), ("[", "]"))


@dataclass(frozen=True)
class Notation:
    """What a unit text says.

    Attributes
    ----------
    written : the unit alone, as it stands in the text.
    codes : codes of ``schemas/units.json``; °F has two, and the quantity decides; none for a unit that
        measures nothing here.
    form : chemical form, "as CaCO3"; "" if it names none.
    temperature_c : reference temperature [°C].
    ambiguous : what the text may mean, where it has more than one meaning.
    """

    written: str = ""
    codes: tuple[str, ...] = ()
    form: str = ""
    temperature_c: float = math.nan
    ambiguous: str = ""


@lru_cache(maxsize=16384)
def read_unit(text: str) -> Notation | None:
    """Read a text as a unit; None unless every part of it is understood.

    Parameters
    ----------
    text : as a file or a person writes it.

    Example
    -------
    >>> found = read_unit("mg·L⁻¹ CaCO₃")
    >>> found.codes, found.form, found.written
    (('mg/L',), 'as CaCO3', 'mg·L⁻¹')
    >>> read_unit("µS/cm bij 20 °C").temperature_c
    20.0
    >>> read_unit("red") is None
    True
    """
    folded = fold(text)
    if folded.text in vocabulary.none():
        return Notation()
    return _read(folded, 0, len(folded.text)) if folded.text else None


def is_unit(text: str) -> bool:
    """Tell whether a text is a unit of one meaning that measures something here."""
    found = read_unit(text)
    return found is not None and bool(found.codes)


def _read(folded: Folded, start: int, end: int) -> Notation | None:
    """Read a stretch: a unit alone, or one with words, a temperature or a form around it."""
    text = folded.text[start:end]
    if found := _alone(folded, start, end):
        return found
    for opening, closing in _BRACKETS:
        if text.startswith(opening) and text.endswith(closing) and opening not in text[1:]:
            return _read(folded, *_trimmed(folded, start + 1, end - 1))
    if lead := _leading_words().match(text):
        return _read(folded, start + lead.end(), end)
    return (
        _with_temperature(folded, start, end)
        or _with_form_behind(folded, start, end)
        or _with_form_inside(folded, start, end)
        or _with_form_before(folded, start, end)
        or _said_twice(folded, start, end)
    )


def _trimmed(folded: Folded, start: int, end: int) -> tuple[int, int]:
    while start < end and folded.text[start] in " ,;:":
        start += 1
    while end > start and folded.text[end - 1] in " ,;:":
        end -= 1
    return start, end


def _alone(folded: Folded, start: int, end: int) -> Notation | None:
    codes, meaning = _codes(folded.text[start:end])
    written = folded.original(start, end)
    if cased := vocabulary.exact().get(fold(written, keep_case=True).text):
        return Notation(written, (cased,))
    if codes is None and not meaning:
        return None
    return Notation(written, codes or (), ambiguous=meaning)


@lru_cache(maxsize=16384)
def _codes(text: str) -> tuple[tuple[str, ...] | None, str]:
    """Give the codes of a unit without anything around it, or what it may mean; None if it is none."""
    key = squeezed(text)
    if key in vocabulary.ambiguous():
        return None, vocabulary.ambiguous()[key]
    if known := vocabulary.spelled().get(key) or vocabulary.spelled().get(squeezed(text.replace("_", " "))):
        return known, ""
    made = _composed(_divided(text))
    if made is None and key in vocabulary.others():
        return (), ""
    return ((made,) if made else None), ""


def _divided(text: str) -> str:
    """Write every way to say "per" as a stroke: words, and the exponents −1 and −3."""
    text = re.sub(r"(?<!\d)\.|\.(?!\d)", " ", text.replace("^", ""))
    text = re.sub(r"\s+", " ", text.replace("(-1)", "-1").replace("(-3)", "-3")).strip()
    text = _per().sub("/", text)
    if "/" not in text:
        text = _EXPONENT.sub(lambda found: f"{found[1] or ''}/{found[2]}{'3' if found[3] == '3' else ''}", text)
    return re.sub(r"\s*/\s*", "/", text.strip())


@cache
def _per() -> re.Pattern[str]:
    words = [fold(word).text for word in vocabulary.unit_words()["parts"]["per"]]
    spoken = "|".join(word for word in words if word.isascii())
    return re.compile(rf"\s+(?:{spoken})\s+|{'|'.join(word for word in words if not word.isascii())}")


def _composed(text: str) -> str | None:
    """Put a unit together: amount per volume, conductance per length."""
    found = _amounts().fullmatch(text)
    if found is None:
        return None
    prefix, amount = vocabulary.part("prefixes")[found["prefix"] or ""], vocabulary.part("amounts")[found["amount"]]
    per = _part(found["per"], "lengths" if amount == "S" else "volumes")
    if per is None or (not found["stroke"].strip() and not prefix):
        return None
    return _named(amount, prefix, per)


def _part(text: str, kind: str) -> str | None:
    bare = re.sub(r"\s", "", text)
    return next((code for word, code in vocabulary.part(kind).items() if re.sub(r"\s", "", word) == bare), None)


def _named(amount: str, prefix: str, per: str) -> str | None:
    """Give the code of an amount per volume or length; units of one size have one code."""
    if amount == "grain":
        code = vocabulary.unit_key(f"grain/{per}")
        return next(iter(vocabulary.spelled().get(code, ())), None) if not prefix else None
    if amount == "S":
        if per not in vocabulary.LENGTHS:
            return None
        return _CONDUCTIVITIES.get(vocabulary.PREFIXES[prefix] - vocabulary.LENGTHS[per])
    if per not in vocabulary.VOLUMES:
        return None
    power = vocabulary.PREFIXES[prefix] - vocabulary.VOLUMES[per]
    sign = next((sign for sign, exponent in vocabulary.PREFIXES.items() if exponent == power), None)
    code = f"{sign}{amount}/L"
    return code if sign is not None and code in vocabulary.units() else None


# Powers of ten of 1 S/m.
_CONDUCTIVITIES: Final = {-4: "uS/cm", -3: "mS/m", -1: "mS/cm", 0: "S/m", 2: "S/cm", -6: "uS/m"}


@cache
def _amounts() -> re.Pattern[str]:
    prefixes, amounts = (vocabulary.alternatives(vocabulary.part(kind)) for kind in ("prefixes", "amounts"))
    places = vocabulary.alternatives((*vocabulary.part("volumes"), *vocabulary.part("lengths")))
    return re.compile(
        rf"(?P<prefix>{prefixes})??[\s\-]?(?P<amount>{amounts})(?P<stroke>\s?[/_]\s?|\s?)(?P<per>{places})\.?"
    )


@cache
def _leading_words() -> re.Pattern[str]:
    return re.compile(rf"(?:{vocabulary.word_pattern('unit_words')})(?:\s*[:=]\s*|\s+)")


@cache
def temperature_behind() -> re.Pattern[str]:
    """Give the pattern of a reference temperature at the end of a folded text."""
    introduced = rf"(?:\b(?:{vocabulary.word_pattern('temperature_words')})\b|[@在于])?[\s.:=]*"
    signs = vocabulary.word_pattern("parts/degree_signs")
    # A bare letter is Celsius at the most: "12 F" is no temperature, and kelvins are about 293 or 298.
    scale = rf"(?:(?:{signs}|o)?\.?\s?(?=c)|(?:{signs})\s?(?=f)|(?<=29\d)\s?(?=k))(?P<scale>[cfk])"
    return re.compile(
        rf"[\s,;:@(\[/_]*{introduced}(?P<at>\d{{2,3}}(?:[.,]\d+)?)\s?{scale}(?:elsius|ahrenheit|elvin)?(?![a-z])"
        r"\s?(?:时|時|における)?[\s)\]]*$"
    )


def celsius(found: re.Match[str]) -> float:
    """Give the temperature of a match in degrees Celsius, to a tenth."""
    value = float(found["at"].replace(",", "."))
    if found["scale"] == "f":
        return round((value - 32.0) / 1.8, 1)
    return round(value - 273.15) if found["scale"] == "k" else value


def _with_temperature(folded: Folded, start: int, end: int) -> Notation | None:
    at = temperature_behind().search(folded.text[:end], start)
    if at is None or at.start() <= start:
        return None
    found = _read(folded, *_trimmed(folded, start, at.start()))
    if found is None or found.ambiguous or not found.codes or not math.isnan(found.temperature_c):
        return None
    return replace(found, temperature_c=celsius(at))


@cache
def form_behind() -> re.Pattern[str]:
    """Give the pattern of a chemical form at the end of a folded text."""
    before, after = vocabulary.word_pattern("form_words/before"), vocabulary.word_pattern("form_words/after")
    return re.compile(
        rf"(?P<gap>[\s,;:(\[_\-]*)(?P<as>(?:{before})[\s_]?)?[(\[]?(?P<form>{vocabulary.form_pattern()})"
        rf"\s?(?:{after})?[\s)\].]*$"
    )


def _with_form_behind(folded: Folded, start: int, end: int) -> Notation | None:
    text = folded.text[:end]
    for place in range(start + 1, end):
        if text[place - 1] == text[place] == " ":
            continue
        behind = form_behind().match(text, place)
        if behind is None or not (behind["gap"] or behind["as"]):
            continue
        found = _joined(_read_alone(folded, *_trimmed(folded, start, place)), behind["form"], said=bool(behind["as"]))
        if found:
            return found
    return None


def _read_alone(folded: Folded, start: int, end: int) -> Notation | None:
    """Read a unit that has its form elsewhere: alone, in brackets, or with a temperature."""
    text = folded.text[start:end]
    for opening, closing in _BRACKETS:
        if text.startswith(opening) and text.endswith(closing):
            return _read_alone(folded, *_trimmed(folded, start + 1, end - 1))
    return _alone(folded, start, end) or _with_form_inside(folded, start, end) or _with_form_behind(folded, start, end)


def _joined(found: Notation | None, name: str, *, said: bool = False) -> Notation | None:
    """Add a form to a unit that can carry one.

    In "mg/L NO3 as N" the first names the substance and the second, ``said`` in so many words, what is
    counted; any other pair of forms contradicts itself.
    """
    form = vocabulary.form(name)
    if found is None or not found.codes or not form or (found.form not in ("", form) and not said):
        return None
    return replace(found, form=form) if carries_form(found.codes) else None


def carries_form(codes: tuple[str, ...]) -> bool:
    """Tell whether a chemical form may stand beside a unit: it counts a substance in a volume."""
    return any(code.endswith("/L") or code == "ppm" or vocabulary.units()[code].form for code in codes)


@cache
def _form_inside() -> re.Pattern[str]:
    prefixes, amounts = (vocabulary.alternatives(vocabulary.part(kind)) for kind in ("prefixes", "amounts"))
    before = vocabulary.word_pattern("form_words/before")
    return re.compile(
        rf"(?P<amount>(?:{prefixes})??[\s\-]?(?:{amounts}))(?P<gap>[\s(\[_.\-]*)(?:(?:{before})\s)?"
        rf"(?P<form>{vocabulary.form_pattern()})[\s)\]_\-]*?(?P<per>\s*[/_].+|\s+(?:{_spoken_per()})\s.+|\s+[a-z]+\d?\s?\^?\(?-[13]\)?)"
    )


def _spoken_per() -> str:
    return "|".join(word for word in vocabulary.unit_words()["parts"]["per"] if word.isascii())


def _with_form_inside(folded: Folded, start: int, end: int) -> Notation | None:
    inside = _form_inside().fullmatch(folded.text, start, end)
    if inside is None:
        return None
    rest = f"{inside['amount']}{inside['per']}"
    codes, _ = _codes(rest)
    if not codes:
        return None
    amount, per = (folded.original(*inside.span(part)) for part in ("amount", "per"))
    written = f"{amount}{per}" if per.startswith(("/", "_")) else f"{amount} {per}"
    return _joined(Notation(written, codes), inside["form"])


@cache
def _form_before() -> re.Pattern[str]:
    before, after = vocabulary.word_pattern("form_words/before"), vocabulary.word_pattern("form_words/after")
    return re.compile(
        rf"[(\[]?(?:(?:{before})\s?)?(?P<form>{vocabulary.form_pattern()})\s?(?:{after})?(?P<gap>[\s,;:()\[\]_\-]+)"
    )


def _with_form_before(folded: Folded, start: int, end: int) -> Notation | None:
    before = _form_before().match(folded.text, start, end)
    if before is None:
        return None
    return _joined(_read_alone(folded, *_unbracketed(folded, before.end(), end)), before["form"])


def _unbracketed(folded: Folded, start: int, end: int) -> tuple[int, int]:
    while end > start and folded.text[end - 1] in " )]":
        if folded.text[end - 1] == ")" and "(" in folded.text[start:end]:
            break
        end -= 1
    return start, end


def _said_twice(folded: Folded, start: int, end: int) -> Notation | None:
    """Read "mg/L (ppm)" and "µS/cm = µmho/cm": two names of one unit."""
    twice = re.fullmatch(r"(.+?)\s*(?:[(\[](.+)[)\]]|=(.+))", folded.text[start:end])
    if twice is None:
        return None
    number = 2 if twice[2] else 3
    first = _read_alone(folded, start, start + twice.end(1))
    second = _read_alone(folded, *_trimmed(folded, start + twice.start(number), start + twice.end(number)))
    if first is None or second is None or not first.codes or not second.codes:
        return None
    meaning = [vocabulary.units()[found.codes[0]] for found in (first, second)]
    same = meaning[0].code == meaning[1].code or (
        meaning[0].expression == meaning[1].expression != "" and meaning[0].form == meaning[1].form
    )
    return first if same else None
