"""The exact table of unit spellings: a text is in it or has no meaning."""

from __future__ import annotations

import json
import unicodedata
from functools import cache
from importlib import resources


def folded(text: str) -> str:
    """Bring a unit text into the form in which it is looked up."""
    plain = unicodedata.normalize("NFKC", text).strip().strip("[]*").strip()
    return " ".join(plain.casefold().split())


@cache
def unit_spellings() -> dict[str, dict[str, str]]:
    """Read the exact table: for units, forms and ambiguous spellings, folded text -> meaning."""
    known = json.loads(resources.files("schemas").joinpath("units.json").read_text(encoding="utf-8"))
    turned = {
        kind: {folded(text): code for code, texts in known[kind].items() for text in texts}
        for kind in ("units", "forms")
    }
    return {**turned, "ambiguous": {folded(text): meanings for text, meanings in known["ambiguous"].items()}}


def split_form(key: str) -> tuple[str, str] | None:
    """Find unit code and chemical form in a folded unit text; None where it is not in the table.

    The form may follow ("mg/l caco3", "mg/l (as n)"), lead ("no3 mg/l") or stand inside ("mg n/l").
    """
    units, known_forms = unit_spellings()["units"], unit_spellings()["forms"]
    if key in units:
        return units[key], ""
    for word, form in known_forms.items():
        if word not in key:
            continue
        around = (f" {word}", f" ({word})", f"({word})", f", {word}")
        bare = [key.removesuffix(ending) for ending in around if key.endswith(ending)]
        bare += [key.removeprefix(f"{word} ")]
        bare += [key.replace(inside, "/", 1) for inside in (f" {word}/", f"({word})/", f"{word}/")]
        code = next((units[unit] for unit in bare if unit in units), "")
        if code:
            return code, form
    return None
