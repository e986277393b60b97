"""Advice in words: for the page, for the terminal, for other programs and for the store."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import pandas as pd

from pipeline.report.client import sentences
from pipeline.report.client.sentences import Voice
from pipeline.report.client.units import OwnUnit, unit_of
from pipeline.report.fitted import fitted_data
from pipeline.site.record import ALKALINITY, HARDNESS
from pipeline.treat.choosing.cautions import own_cautions
from pipeline.words import Said, capitalised, sentences_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.site.answer import SiteAnswer
    from pipeline.treat.advice import Range

_EXPECTED: Final = (HARDNESS, ALKALINITY, "ph", "conductivity_us_cm_25c", "sodium_mg_l", "chloride_mg_l")
# A page for a client leaves these to its table and to the technician's retest.
_LEFT_OUT: Final = ("verify.not_measured", "verify.bypass.disagree", "verify.differs")
_OF_FITTED: Final = ("choose.note.fitted_other", "choose.note.fitted_needless")
_NOTHING_TO_TEST: Final = ("none", "blend")
# The store keeps one wording, whatever language a page was printed in.
_STORED: Final = Voice("en", OwnUnit("mg/L", 1.0, 1.0))


class Block(NamedTuple):
    """Lines under a heading."""

    heading: str
    lines: list[str]


class Told(NamedTuple):
    """Advice ready to be shown."""

    advised: bool
    decision: str
    treatment: str
    lead: list[str]
    blocks: list[Block]


def title(treatment: str) -> Said:
    """Name a treatment."""
    return Said(f"treat.{treatment.replace(' ', '-')}")


def once(said: Iterable[Said], voice: Voice) -> list[str]:
    """Say several sentences, each once."""
    return list(dict.fromkeys(voice.told(one) for one in said))


def told(report: SiteAnswer, voice: Voice) -> Told:
    """Word the advice of a report.

    Parameters
    ----------
    report : the report.
    voice : language and unit.
    """
    advice = report.advice
    code = title(advice.treatment)
    blocks = [
        ("", [*once(report.size(voice.unit.sign), voice), *_scale_then(report, voice)]),
        (voice.say("report.heading.fitted"), once(report.site.fitted.notices, voice)),
        (voice.say("report.heading.conditions"), conditions(report, voice)),
        (voice.say("report.heading.repeat"), once(advice.repeat, voice)),
        (voice.say("bottled.heading"), once(advice.bottled, voice)),
        (voice.say("report.heading.retest"), once(of_retest(report), voice)),
    ]
    return Told(
        advised=report.advised,
        decision=voice.say(f"report.decision.{advice.decision}"),
        treatment=capitalised(voice.told(code)) if report.advised and code.code in sentences_of("en") else "",
        lead=reasons(report, voice),
        blocks=[Block(heading, lines) for heading, lines in blocks if lines],
    )


def reasons(report: SiteAnswer, voice: Voice) -> list[str]:
    """Say why; of a sample on hold first what holds it."""
    raw = report.site.raw
    # What the outcome says of what is fitted need not be said again by the advice on the raw water.
    own = [one for one in report.advice.reasons if not (report.verdict and one.code.startswith(_OF_FITTED))]
    said = once([*report.verdict, *own], voice)
    if raw is None or not raw.held:
        return said
    why = sentences.why_held(raw, voice)
    code = "report.held.beside" if report.advised else "report.held.lead"
    return [voice.say(code, sample=voice.sample(raw), why=why), *said]


def of_retest(report: SiteAnswer) -> tuple[Said, ...]:
    """Say whether what is fitted does its work, the outcome first, the next test last if it lies ahead.

    Figures that stand in the client's table, and what only a technician asks, are left to the retest itself.
    """
    found = report.retest
    if found is None or found.verification is None or found.treatment in _NOTHING_TO_TEST:
        return ()
    said = tuple(one for one in found.verification.findings if one.code not in _LEFT_OUT)
    ahead = found.next_test.on is not None and found.next_test.on.date() >= report.today
    return (*said, found.next_test.said) if ahead else said


def caution_lines(report: SiteAnswer, voice: Voice) -> list[str]:
    """Say what can hurt someone; where advice adds nothing, what stands on every report."""
    return once(report.advice.cautions, voice) or [voice.say("report.caution")]


def parted_cautions(report: SiteAnswer, voice: Voice) -> tuple[list[str], list[str]]:
    """Part what can hurt someone into what concerns this site, and what goes for every such site."""
    own = [one for one in report.advice.cautions if one.code in own_cautions()]
    here = once(own, voice)
    return here, [line for line in caution_lines(report, voice) if line not in here]


def conditions(report: SiteAnswer, voice: Voice) -> list[str]:
    """Say on what the advice depends: what it lacks, and later samples that are on hold."""
    return [*once(report.advice.conditions, voice), *sentences.held_conditions(report, voice)]


def _scale_then(report: SiteAnswer, voice: Voice) -> list[str]:
    if report.expected is None or report.now is None or not report.advised:
        return []
    after, before = report.expected.scale_per_year, report.now.scale_per_year
    if math.isnan(after.high) or math.isnan(before.high):
        return []
    unit, factor = sentences.mass_unit(after, before)
    ends = {"low": after.low, "high": after.high, "before_low": before.low, "before_high": before.high}
    rough = {name: voice.rough(factor * end) for name, end in ends.items()}
    if rough["low"] == rough["before_low"] and rough["high"] == rough["before_high"]:
        return []
    return [voice.say("report.scale.then", unit=unit, **rough)]


def expected_lines(report: SiteAnswer, voice: Voice) -> list[str]:
    """Say what is to be measured after the treatment."""
    lines = []
    for name in _EXPECTED:
        found = report.advice.predicted.get(name)
        if found is None or math.isnan(found.value):
            continue
        spread = 0.5 * (found.high - found.low)
        value, low, high = (voice.reading(name, end, spread) for end in (found.value, found.low, found.high))
        code = "report.range.same" if low == high or math.isnan(spread) else "report.range"
        number = voice.say(code, value=value, low=low, high=high, unit=unit_of(name, voice.unit)).replace("  ", " ")
        lines.append(voice.headed(voice.quantity(name), number.strip()))
    return lines


def advice_text(report: SiteAnswer, voice: Voice) -> str:
    """Write the advice for the terminal.

    Parameters
    ----------
    report : the report.
    voice : language and unit.

    Returns
    -------
    paragraphs: where, verdict, advice, what is not known, cautions.
    """
    words = told(report, voice)
    first = f"{report.site.name.name or voice.say('report.unnamed')}"
    lines = [first]
    if report.now is not None:
        lines += [
            "  " + " ".join(sentences.cup(report.now, voice)),
            "  "
            + " ".join(
                [*sentences.machine(report.now, voice), *sentences.metal_limits(report.now, voice, serious=False)]
            ),
            "  " + sentences.which_water(report, voice),
        ]
    lines += ["", voice.headed(words.decision, words.treatment or voice.say("report.heading.no_advice"))]
    lines += [f"  {line}" for line in words.lead]
    lines += [line for block in words.blocks for line in _lines(block.heading, block.lines)]
    if report.advised and report.outcome != "keep":
        lines += _lines(voice.say("report.heading.expected"), expected_lines(report, voice))
    lines += _lines(voice.say("report.heading.unknown"), sentences.unknown(report, voice))
    return "\n".join([*lines, *_lines(voice.say("report.heading.cautions"), caution_lines(report, voice))])


def _lines(heading: str, lines: list[str]) -> list[str]:
    bullets = [f"  - {line}" for line in lines]
    return ["", heading, *bullets] if heading and lines else bullets


def advice_json(report: SiteAnswer, voice: Voice) -> str:
    """Write the advice for other programs.

    Parameters
    ----------
    report : the report.
    voice : language of the sentences.

    Returns
    -------
    JSON with ``decision treatment settings predicted reasons conditions cautions``, then more; numbers are
    canonical, a number that is not known is null.
    """
    site, advice = report.site, report.advice
    return json.dumps(
        {
            "decision": advice.decision,
            "treatment": advice.treatment,
            "settings": dict(advice.settings),
            "predicted": {name: _plain(found) for name, found in advice.predicted.items()},
            "reasons": reasons(report, voice),
            "conditions": conditions(report, voice),
            "cautions": caution_lines(report, voice),
            "repeat": once(advice.repeat, voice),
            "bottled": once(advice.bottled, voice),
            "outcome": report.outcome,
            "fitted": fitted_data(site.fitted),
            "notices": once(site.fitted.notices, voice),
            "row": advice.row,
            "window": [
                {
                    "setting": one.setting,
                    "low": _number(one.low),
                    "high": _number(one.high),
                    "sure_low": _number(one.sure_low),
                    "sure_high": _number(one.sure_high),
                    "unit": one.unit,
                }
                for one in advice.window
            ],
            "size": once(report.size(voice.unit.sign), voice),
            "retest": once(of_retest(report), voice),
            "unknown": sentences.unknown(report, voice),
            "client": site.name.client,
            "site": site.name.site,
            "sample": "" if site.raw is None else site.raw.label,
            "machine": site.machine.name,
            "profile": report.profile.name,
            "litres_per_day": _number(site.fitted.litres),
            "scale_kg_per_year": None if report.now is None else _plain(report.now.scale_per_year),
        },
        ensure_ascii=False,
    )


def _plain(found: Range) -> dict[str, Any]:
    return {
        "value": _number(found.value),
        "low": _number(found.low),
        "high": _number(found.high),
        "unit": found.unit,
    }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def stored(report: SiteAnswer) -> pd.DataFrame:
    """Lay the advice out as a row of the table `advice`; lists and numbers are JSON, sentences English."""
    site, advice = report.site, report.advice
    raw = site.raw
    row = {
        "batch_id": "" if raw is None else raw.batch_id,
        "client": site.name.client,
        "site": site.name.site,
        "sample_id": "" if raw is None else raw.sample_id,
        "decision": advice.decision,
        "treatment": advice.treatment,
        "settings": json.dumps(dict(advice.settings)),
        "predicted": json.dumps({name: _plain(found) for name, found in advice.predicted.items()}),
        "reasons": json.dumps(reasons(report, _STORED), ensure_ascii=False),
        "conditions": json.dumps(conditions(report, _STORED), ensure_ascii=False),
        "cautions": json.dumps(caution_lines(report, _STORED), ensure_ascii=False),
    }
    return pd.DataFrame([row], dtype="str")
