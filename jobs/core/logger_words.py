"""What the words of a header say: a temperature or humidity of the air, a unit, or something else."""

from __future__ import annotations

import re
import unicodedata

from jobs.core.logger_values import WrittenUnit

_WORDS = re.compile(r"[^\W\d_]+")
_TEMPERATURE = re.compile(
    r"t|ta|t[cf]|tmp|temp|temp[cf]|temperat\w*|teplot\w*|lampotil\w*|(?:luft|raum|lucht|air|room)temp\w*"
    r"|температур\w*|θερμοκρασια|sıcaklık|sicaklik|homerseklet|温度|気温|온도"
)
_HUMIDITY = re.compile(
    r"rh|hr|rf|ur|rv|hum|rhum|relhum|(?:rel)?humid\w*|(?:luft|raum|rel)?feucht(?:e|igkeit)|humed\w*|umid\w*"
    r"|(?:lucht)?vocht\w*|(?:luft)?fukt\w*|(?:luft)?fugt\w*|wilgot\w*|vlhk\w*|kosteus"
    r"|влажност\w*|υγρασια|nem|paratartalom|湿度|습도"
)


def words_of(words: str) -> frozenset[str]:
    """Return the words of a text between blanks."""
    return frozenset(words.split())


UNIT_NAMES = words_of("unit units einheit einheiten unite unites unidad unidades unita eenheid")
#: Words that leave a header the air of the moment.  Whatever else stands in one may mean another thing: asked.
_NEUTRAL = words_of(
    "air aire aria lucht luft raum room indoor inside innen ambient ambiante ambiente sensor sensors "
    "channel ch kanal canal logger sen lgr lbl label serial id no nr s n sn value values val wert werte messwert "
    "reading readings measured current now aktuell actual istwert data in the of de der des di do da du la le el l d "
    "relative relativ relativa relatieve suhteellinen rel относительная wzgledna "
    "percent percentage prozent pct pourcent procent "
    "hall halle saal zimmer office buro kuche kitchen site label "
    "deg degree degrees degc degf grad c f k celsius fahrenheit kelvin centigrade rf rh hr r t"
)
#: A header with one of these words holds something else than the air of the moment.
OTHER = UNIT_NAMES | words_of(
    "abs absolue absolut absoluta absolute akku alarm alarms alert average avg batt batterie battery "
    "bulb cal calibration co daggpunkt dauwpunt delta dew dewpoint diff difference dp duggpunkt "
    "dugpunkt enthalpy error feels flag floor globe heat hi high highest humidex index kastepiste limit "
    "limits lo low lowest lux material max maximum mean media min minimum mittel mittelwert mixing "
    "moisture moyenne offset orvalho pressure ratio rocio rosee rosny rosy rssi rugiada sd set setpoint "
    "signal skin soll sollwert specific status std stdev surface target taup taupunkt threshold valid "
    "voc voltage vpd wall water wbgt wet wetbulb wood"
)
_DEGREE = r"[°º˚ø¡\ufffd]"
_DEGREES = rf"{_DEGREE}\s*%s(?![a-z])|(?<![a-z])%s\s?{_DEGREE}|(?<![a-z])deg(?:rees?|\.)?[ _]*%s(?![a-z])"
_CERTAIN_C = re.compile(_DEGREES % ("c", "c", "c") + "|celsius|centigrade|℃", re.IGNORECASE)
_CERTAIN_F = re.compile(_DEGREES % ("f", "f", "f") + "|fahrenheit|℉", re.IGNORECASE)
#: A bare K stands in brackets, behind a mark or a blank, or alone; `type K` is a kind of probe.
_CERTAIN_K = re.compile(
    rf"kelvin|{_DEGREE}\s*k(?![a-z])|[(\[]\s*k\s*[)\]]|^\s*k\s*$|(?<!type)(?<!typ)[,_\s]K\s*$",
    re.IGNORECASE,
)
#: `0.1 °C`, `°C x10`, `m°C`: whole numbers that stand for parts.
SCALED = re.compile(
    rf"(?<![0-9])0?[.,][0-9]+\s*(?:{_DEGREE}|%|deg|[cfk]\b)|[x×*/÷]\s*10+(?![0-9])|10+\s*[x×*]"
    rf"|(?<![a-z])m(?:{_DEGREE}|%)|(?<![a-z])1/10",
    re.IGNORECASE,
)
#: A unit by its sign, whatever an encoding made of it.
_UNIT_SIGNS = re.compile(rf"[Ââ]?{_DEGREE}\s*[cfk]?", re.IGNORECASE)
#: A bare letter: beside the word for temperature, in brackets, or alone.
_LETTER = re.compile(
    r"(?:temp|temperature|temperatur|(?<![a-z])t)[ _.,\-]*[(\[]?\s*([cf])(?![a-z])"
    r"|[(\[]\s*([cf])\s*[)\]]|^\s*([cf])\s*$",
    re.IGNORECASE,
)


def names_quantity(cell: str) -> bool:
    """Return whether a text names a temperature, a humidity or a unit of temperature."""
    return bool(is_temperature(cell) or is_humidity(cell) or unit_in(cell))


def words_in(text: str) -> set[str]:
    """Return the words of a header in small letters, without accents; `r.F.` is one word."""
    joined = re.sub(r"\b([rRhH])\.\s?([fFhHrR])\b\.?", r"\1\2", text)
    # `airTemperatureC`, but not the `°C` or `pH` of a unit.
    split = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])|(?<=[a-z]{3})(?=[CF](?![a-zA-Z]))", " ", joined)
    plain = unicodedata.normalize("NFKD", split).casefold()
    return set(_WORDS.findall("".join(c for c in plain if not unicodedata.combining(c))))


def _has(pattern: re.Pattern[str], words: set[str]) -> bool:
    return any(map(pattern.fullmatch, words))


def is_temperature(text: str) -> bool:
    """Return whether a header names a temperature, perhaps of the air."""
    words = words_in(text)
    if words & OTHER or not _has(_TEMPERATURE, words) or ("%" in text and unit_in(text) is None):
        return False
    return not _has(_HUMIDITY, words) or unit_in(text) is not None


def is_humidity(text: str) -> bool:
    """Return whether a header names a relative humidity, perhaps of the air."""
    words = words_in(text)
    if words & OTHER or "g/m" in text or not _has(_HUMIDITY, words) or unit_in(text) is not None:
        return False
    return not _has(_TEMPERATURE, words) or "%" in text


def has_degrees(text: str) -> bool:
    """Return whether a header has a unit of temperature and no word for anything else."""
    return unit_in(text) is not None and not words_in(text) & OTHER and not _has(_HUMIDITY, words_in(text))


def is_sure(text: str) -> bool:
    """Return whether a header has no word that could make it another thing than the air of the moment."""
    words = words_in(_UNIT_SIGNS.sub(" ", text)) - _NEUTRAL
    return all(_TEMPERATURE.fullmatch(word) or _HUMIDITY.fullmatch(word) for word in words)


def is_percent_alone(text: str) -> bool:
    """Return whether a header is a percent sign and nothing that could make it another thing than humidity's."""
    return "%" in text and is_sure(text) and not _has(_TEMPERATURE, words_in(text))


def unit_in(text: str) -> WrittenUnit | None:
    """Return the temperature unit that a text certainly names: with its degree sign or its word."""
    is_c, is_f = bool(_CERTAIN_C.search(text)), bool(_CERTAIN_F.search(text))
    if is_c == is_f:
        return "k" if not is_c and _CERTAIN_K.search(text) else None
    return "c" if is_c else "f"


def names_both_units(text: str) -> bool:
    """Return whether a text names °C and °F, as a header does whose column may be either."""
    return bool(_CERTAIN_C.search(text) and _CERTAIN_F.search(text))


def letter_unit(text: str) -> WrittenUnit | None:
    """Return the unit that a bare letter names, as in `temp_c`."""
    found = {letter.lower() for match in _LETTER.findall(text) for letter in match if letter}
    if found == {"c"}:
        return "c"
    return "f" if found == {"f"} else None
