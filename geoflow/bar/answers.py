"""An answer in anybody's words: read as the value of a bar file, or refused with the cure."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Final

from geoflow.bar.drills import NUMBER_DRILLS
from geoflow.bar.fittings import FITTINGS, fittings_k
from geoflow.bar.key import Written
from geoflow.bar.key_kinds import GAUGE_PLACES, KEY_KINDS
from geoflow.bar.questions import Question
from geoflow.bar.values import convert, within
from geoflow.base.errors import QuantityError
from geoflow.base.ranges import parse_range
from geoflow.base.units import GALLON, factor, from_si, parse
from geoflow.physics.air import standard_air_pressure
from geoflow.physics.ammonia import saturation

__all__ = ["Answer", "answered", "usual_unit"]

_UNKNOWN: Final = frozenset(
    ("", "don't know", "dont know", "do not know", "don\u2019t know", "not known", "unknown", "no idea", "dk", "skip")
)
_NONE: Final = frozenset(("none", "no", "nothing", "-", "there is none", "not there", "n/a"))
_NUMBER: Final = r"\d+\.?\d*|\.\d+"
_MOST_SECTIONS: Final = 60
_INCHES: Final = 12.0


@dataclass(frozen=True, slots=True)
class Answer:
    """What was answered.

    Attributes
    ----------
    said : str
        As typed.
    values : tuple
        As they are written in the bar file, one for all sections or one for each; empty for none of it.
    known : bool
        Whether it was known; else the values are the range that is carried, or nothing where the key is left out.
    """

    said: str
    values: tuple[Written, ...] = ()
    known: bool = True

    @property
    def none(self) -> bool:
        """Whether the bar has none of it."""
        return self.known and not self.values


def answered(question: Question, text: str) -> Answer:
    """Read an answer.

    Parameters
    ----------
    question : Question
        What was asked.
    text : str
        As typed; nothing, or "don't know", where it is not known.

    Raises
    ------
    QuantityError
        Saying what is wrong with it and how to answer.
    """
    said = " ".join(text.split())
    plain = said.casefold().rstrip(".!")
    if plain in _UNKNOWN or (plain == "?" and question.unknown is not None):
        return _not_known(question, said)
    if plain in _NONE and question.none:
        return Answer(said)
    try:
        return Answer(said, _READERS[question.way](question, said))
    except QuantityError as problem:
        raise QuantityError(problem.what, where=question.name, cure=problem.cure or _cure(question)) from problem


def _cure(question: Question) -> str:
    nothing = ', or "none" where there is none' if question.none else ""
    unsure = "" if question.unknown is None and not question.choice else ', or "don\'t know"'
    return f'answer like "{question.usual}"{nothing}{unsure}'


def _not_known(question: Question, said: str) -> Answer:
    if question.choice:
        return Answer(said, _READERS[question.way](question, question.usual), known=False)
    if question.unknown is None:
        raise QuantityError(
            "there is no bar without it", where=question.name, cure=f"find out: {question.found}; {_cure(question)}"
        )
    if not question.unknown:
        return Answer(said, (), known=False)
    return Answer(said, _READERS[question.way](question, question.unknown), known=False)


_SIGNS: Final = {"\u00bd": "1/2", "\u00bc": "1/4", "\u00be": "3/4", "\u215b": "1/8", "\u215c": "3/8", "\u215d": "5/8",
          "\u215e": "7/8"}  # fmt: skip
_WORDS: Final = (
    (r"\b(\d+) and (?:a |one )?(half|quarter)\b", r"\1 \2"),
    (r"\b(?:an? )?(inch|foot) and (?:a |one )?(half|quarter)\b", r"1 \2 \1"),
    (r"\bthree[ -]quarters?(?: of an?)?\b", "3/4"),
    (r"\b(?:an? |one )?half(?: of)?(?: an?)?\b", "1/2"),
    (r"\b(?:an? |one )?quarter(?: of)?(?: an?)?\b", "1/4"),
)


def _decimal(text: str) -> str:
    """Text with fractions and marks of inches and feet as a bar file has them: 1 1/4" is 1.25 in, 9' 6" is 9.5 ft."""
    for sign, fraction in _SIGNS.items():
        text = text.replace(sign, f" {fraction}")
    for spelled, plain in _WORDS:
        text = re.sub(spelled, plain, text, flags=re.IGNORECASE)
    text = re.sub(r"\s*(?:\"|\u2033|\u201d|''|\binch(?:es)?\b)", " in", text)
    text = re.sub(r"(?<=\d)\s*(?:'|\u2032|\u2019|\bfeet\b|\bfoot\b)", " ft", text)

    def value(match: re.Match[str]) -> str:
        whole, top, bottom = match[1] or "0", match[2], match[3]
        if int(bottom) == 0:
            raise QuantityError(f"'{match[0].strip()}' divides by nothing")
        return f"{int(whole) + int(top) / int(bottom):.6g}"

    def feet(match: re.Match[str]) -> str:
        if float(match[2]) >= _INCHES:
            raise QuantityError(f"'{match[0].strip()}' has a foot of inches or more behind its feet")
        return f"{float(match[1]) + float(match[2]) / _INCHES:.8g} ft"

    text = re.sub(r"(?:(\d+)(?:\s+|\s*-\s*))?(\d+)\s*/\s*(\d+)", value, text).strip()
    # What stands behind feet without a unit of its own is inches.
    ended = r"(?=\s*(?:$|\.\.|-|to\b|and\b))"
    text = re.sub(rf"\b(\d+)\s*ft\s*-\s*({_NUMBER})\s*in\b{ended}", feet, text)
    return re.sub(rf"\b(\d+)\s*ft\s*({_NUMBER})(?:\s*in\b)?{ended}", feet, text)


def usual_unit(question: Question) -> str:
    """Return the unit of the usual answer, which a bare number is taken in.

    Parameters
    ----------
    question : Question
        What was asked.
    """
    return re.sub(rf"^[\d\s./]*(?:{_NUMBER})\s*", "", question.usual).strip()


def _as_range(text: str) -> str:
    dash = r"(?<=[\w.])(?<![\d.]e)\s*[-\u2013\u2014]\s*(?=[\d.])"
    return re.sub(rf"(?<=[\w.])\s+(?:to|and)\s+(?=[-\d.])|{dash}", "..", text)


def _written_value(question: Question, text: str) -> Written:
    """One value or range of the question's key as the bar file has it, checked."""
    key = question.of_key
    kind = KEY_KINDS[key.kind]
    plain = text if key.kind == "text" else _as_range(_decimal(text))
    if kind.unit_kind == "pressure":
        # Pounds of pressure are pounds on a square inch.
        plain = re.sub(r"(?<=\d)\s*(?:lbs?\.?|pounds?|#)(?=\s*(?:$|\.\.))", " psi", plain)
    value: Written = plain
    if kind.unit_kind is not None and re.fullmatch(rf"[-+]?(?:{_NUMBER})(?:\s*\.\.\s*[-+]?(?:{_NUMBER}))?", plain):
        unit = usual_unit(question)
        # Nobody has a fraction of a millimeter in mind.
        value = f"{plain} {'in' if unit == 'mm' and '/' in text else unit}"
    elif kind.unit_kind is None and key.kind != "text":
        value = _plain_number(plain, whole=key.kind == "whole number")
    air = standard_air_pressure(0.0)
    try:
        read = convert(value, key, air)
    except QuantityError as problem:
        raise QuantityError(problem.what) from problem  # the question has the cure
    if not within(read, key, air):
        ends = " and ".join(map(str, key.accepted or ()))
        raise QuantityError(f"'{text}' does not lie between {ends}", cure=key.note)
    return value


def _plain_number(text: str, *, whole: bool) -> Written:
    share = re.fullmatch(rf"({_NUMBER})(?:\s*\.\.\s*({_NUMBER}))?\s*(?:%|percent)", text)
    if share and not whole:
        ends = [f"{float(end) / 100:.6g}" for end in share.groups() if end is not None]
        return "..".join(ends) if len(ends) > 1 else float(ends[0])
    if not re.fullmatch(rf"[-+]?(?:{_NUMBER})", text):
        return text  # a range, or what the key's own reader refuses
    return int(text) if whole or text.isdigit() else float(text)


def _value(question: Question, said: str) -> tuple[Written, ...]:
    parts = [said]
    if question.each and "," in said:
        parts = said.split(",")
        unit = re.search(r"[a-zA-Z\"']+\s*$", said)
        ended = unit[0].strip() if unit else ""
        bare = any(not re.search(r"[a-zA-Z\"']", part) for part in parts)
        if bare and len({found[0].strip() for part in parts if (found := re.search(r"[a-zA-Z\"']+\s*$", part))}) > 1:
            raise QuantityError(f"'{said}' has several units, and numbers without one", cure="give each its unit")
        parts = [part if re.search(r"[a-zA-Z\"']", part) else f"{part} {ended}".strip() for part in parts]
    return tuple(_written_value(question, part.strip()) for part in parts)


def _sections(_: Question, said: str) -> tuple[Written, ...]:
    counts = re.split(r"\s*(?:,|;|\+|\band\b|\s)\s*", said.strip())
    if not all(re.fullmatch(r"\d{1,4}", one) and int(one) for one in counts) or len(counts) > _MOST_SECTIONS:
        raise QuantityError(f"'{said}' is no list of whole numbers of rows")
    return tuple(int(one) for one in counts)


def _orifices(question: Question, said: str) -> tuple[Written, ...]:
    """Diameters, those of number drills from the table."""
    sizes: list[Written] = []
    for part in said.split(","):
        drill = re.fullmatch(
            r"\s*(?:no\.?|number|nr\.?|#|drill)\s*\.?\s*#?\s*(\d+)\s*(?:drill)?\s*", part, re.IGNORECASE
        )
        if drill is None:
            sizes.append(
                _written_value(question, part.strip() if re.search(r"[a-zA-Z\"]", part) else f"{part.strip()} in")
            )
            continue
        size = NUMBER_DRILLS.get(int(drill[1]))
        if size is None:
            raise QuantityError(f"there is no number drill {drill[1]}", cure="number drills go from No. 80 to No. 1")
        sizes.append(f"{float(from_si(size, 'length', 'inch')):.4f} in")
    return tuple(sizes)


def _coefficient(_: Question, said: str) -> tuple[Written, ...]:
    """One value, or both ends of a range of it."""
    text = _as_range(said)
    plain = re.fullmatch(rf"\s*(?:{_NUMBER})(?:\s*\.\.\s*(?:{_NUMBER}))?\s*", text)
    ends = [float(end) for end in text.split("..")] if plain else []
    if len(ends) not in (1, 2) or not 0.1 <= ends[0] <= ends[-1] <= 1.0:
        raise QuantityError(f"'{said}' is no discharge coefficient from 0.1 to 1")
    return tuple(ends)


def _fittings(question: Question, said: str) -> tuple[Written, ...]:
    try:
        least, most = fittings_k(said)
    except QuantityError as problem:
        cure = f'answer like "{question.usual}"; known are tee, {", ".join(FITTINGS)}; or a sum of K like "3.0"'
        raise QuantityError(problem.what, cure=cure) from problem
    value: Written = f"{least:.4g}" if least == most else f"{least:.4g}..{most:.4g}"
    return (float(value) if least == most else value,)


def _pump_flow(question: Question, said: str) -> tuple[Written, ...]:
    turned = re.fullmatch(
        r"(.+?)(?:\s*(?:/|per)\s*(?:rev|revolution|turn))?\s*(?:at|x|@)\s*(.+?rpm)", said, re.IGNORECASE
    )
    if turned is None:
        return (_written_value(question, said),)
    spelled = re.sub(r"cu(?:bic)?\.?\s*in(?:ch(?:es)?)?\.?|in3|cir", "inch**3", turned[1], flags=re.IGNORECASE)
    spelled = re.sub(r"\bcc\b|cm3", "cm**3", spelled)
    try:
        volume, speed = parse(spelled, "volume"), parse_range(_as_range(turned[2]), "turning speed")
    except QuantityError as problem:
        cure = 'answer like "45 gpm", or "20 cu in at 540 rpm"'
        raise QuantityError(problem.what, cure=cure) from problem
    ends = [f"{volume * end / (2.0 * math.pi) / GALLON * 60.0:.5g}" for end in dict.fromkeys(speed)]
    return (_written_value(question, f"{'..'.join(ends)} gpm"),)


def _pulses(question: Question, said: str) -> tuple[Written, ...]:
    """Pulses to a gallon; given to an amount of nitrogen or ammonia, as displays count it: liquid at 60 degF."""
    match = re.fullmatch(
        rf"({_NUMBER})\s*(?:pulses?|p)?(?:\s*(?:/|per|to|for|p)\s*(?:(?:a|an|the|one)\s+)?({_NUMBER})?\s*"
        r"(g|gal(?:lons?)?|l|lit(?:er|re)s?|lbs?|pounds?|#|kg)(?:\s*(?:of\s+)?(n|nitrogen|nh3|ammonia|anhydrous))?)?",
        said.replace(",", ""),
        re.IGNORECASE,
    )
    if match is None or (match[2] is not None and float(match[2]) == 0.0):
        raise QuantityError(f"'{said}' is no number of pulses", cure='answer like "700", or "1700 per 10 lb N"')
    number, unit, of = float(match[1]) / float(match[2] or 1.0), (match[3] or "gal").casefold(), match[4]
    if unit[0] in "gl" and not unit.startswith("lb"):
        if of is not None:
            raise QuantityError(f"'{said}' counts liquid by volume", cure=f"leave '{of}' out")
        number *= 1.0 if unit[0] == "g" else GALLON * 1000.0
        return (_written_value(question, f"{number:.6g}"),)
    if of is None:
        raise QuantityError(
            f"'{said}' does not say of what the weight is, and nitrogen and ammonia differ by a fifth",
            cure='answer like "170 per lb N" or "140 per lb NH3"',
        )
    share = 0.82 if of.casefold().startswith("ni") or of.casefold() == "n" else 1.0
    density = float(saturation(parse("60 degF", "temperature")).liquid_density)
    number *= density * share * factor("gallon", "volume") / (1.0 if unit == "kg" else factor("lb", "mass"))
    return (_written_value(question, f"{number:.6g}"),)


def _gauges(_: Question, said: str) -> tuple[Written, ...]:
    places = [re.sub(r"^(?:the|at|on) ", "", part.strip().casefold()) for part in re.split(r",|\band\b", said)]
    also = {"pump": "pump outlet", "outlet": "pump outlet", "valve": "after valve", "bar": "manifold"}
    named = [also.get(place, place) for place in places if place]
    for place in named:
        if place not in GAUGE_PLACES:
            raise QuantityError(f"'{place}' is no place of a gauge", cure=f"name some of: {', '.join(GAUGE_PLACES)}")
    return tuple(dict.fromkeys(named))


def _drive(question: Question, said: str) -> tuple[Written, ...]:
    """A flow of oil, or a shaft speed."""
    text = _as_range(_decimal(said))
    for kind in ("volume flow", "turning speed"):
        try:
            low, _ = parse_range(text, kind)
        except QuantityError:
            continue
        if low > 0.0:
            return (text,)
    raise QuantityError(
        f"'{said}' is neither a flow of oil nor a shaft speed", cure='answer like "14 gpm" or "540 rpm"'
    )


def _count(_: Question, said: str) -> tuple[Written, ...]:
    words = {"one": "1", "two": "2", "twin": "2"}
    text = words.get(said.casefold(), said)
    if text not in ("1", "2", "3", "4"):
        raise QuantityError(f"'{said}' is no number of tanks from 1 to 4")
    return (int(text),)


_READERS: Final[dict[str, Any]] = {
    "value": _value,
    "sections": _sections,
    "orifices": _orifices,
    "coefficient": _coefficient,
    "fittings": _fittings,
    "pump flow": _pump_flow,
    "pulses": _pulses,
    "gauges": _gauges,
    "count": _count,
    "drive": _drive,
}
