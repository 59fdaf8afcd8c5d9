"""What can be asked of a car's diagnostics (service 01 of ISO 15031-5 / SAE J1979): each PID, its readings, formulas.

A PID is written in two hexadecimal digits. Where it has several readings, the one meant follows a point: `34.current`.
Formulas are those of SAE J1979 and ISO 15031-5; the readings marked so in `MEMORY` are quoted from memory of those
documents, and nothing else was at hand to hold them against.

Four PIDs change the scale of others. 4F gives the greatest value of lambda, of a lambda sensor's voltage (V) and
current (mA) and of manifold pressure (in 10 kPa), 50 that of airflow (in 10 g/s). Zero, or a controller without them,
means the usual scale. Without honouring them a manifold pressure of 400 kPa would be read as 255.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple, TypeAlias

from pullwatch.channels import Dimension
from pullwatch.decoders.frames import EXTENDED

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


class Maxima(NamedTuple):
    """Greatest values as 4F and 50 give them; 0: the usual scale."""

    ratio: int = 0
    volts: int = 0
    milliamperes: int = 0
    manifold: int = 0
    """In 10 kPa."""
    airflow: int = 0
    """In 10 g/s."""


USUAL: Final = Maxima()
MAXIMA_PIDS: Final = (0x4F, 0x50)

Read: TypeAlias = "Callable[[bytes, Maxima], float | None]"
"""The data bytes of a PID and the scale to the value, in the reading's own unit; None: the sender has no value."""

_D = Dimension


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of a PID. `unit` is what `channels.UNITS` calls it, or, where that has none, what to call the number.

    `commanded` is what the controller wants, not what a sensor says. `slow` things change in minutes. `scaled_by` is
    the PID that may change its scale.
    """

    pid: int
    part: str
    says: str
    dimension: Dimension
    unit: str
    read: Read
    commanded: bool = False
    slow: bool = False
    scaled_by: int = 0

    @property
    def name(self) -> str:
        """How it is written in the setup file."""
        return f"{self.pid:02X}.{self.part}" if self.part else f"{self.pid:02X}"

    @property
    def plain(self) -> bool:
        """Whether channels keep it as a plain number, because they have no such unit."""
        return self.dimension is _D.NUMBER


def _byte(at: int, factor: float = 1.0, offset: float = 0.0) -> Read:
    return lambda data, _: data[at] * factor + offset


def _word(at: int, factor: float = 1.0, offset: float = 0.0) -> Read:
    return lambda data, _: (data[at] << 8 | data[at + 1]) * factor + offset


def _percent(at: int = 0) -> Read:
    return lambda data, _: data[at] * 100 / 255


def _trim(at: int = 0) -> Read:
    return lambda data, _: data[at] * 100 / 128 - 100


def _sensor_trim(data: bytes, _: Maxima) -> float | None:
    return None if data[1] == 0xFF else data[1] * 100 / 128 - 100


def _ratio(data: bytes, maxima: Maxima) -> float:
    raw = data[0] << 8 | data[1]
    return raw * maxima.ratio / 65_535 if maxima.ratio else raw * 2 / 65_536


def _volts(data: bytes, maxima: Maxima) -> float:
    raw = data[2] << 8 | data[3]
    return raw * maxima.volts / 65_535 if maxima.volts else raw * 8 / 65_536


def _milliamperes(data: bytes, maxima: Maxima) -> float:
    raw = (data[2] << 8 | data[3]) - 32_768
    return raw * maxima.milliamperes / 32_768 if maxima.milliamperes else raw / 256


def _manifold(data: bytes, maxima: Maxima) -> float:
    return data[0] * (maxima.manifold * 10) / 255 if maxima.manifold else float(data[0])


def _airflow(data: bytes, maxima: Maxima) -> float:
    raw = data[0] << 8 | data[1]
    return raw * (maxima.airflow * 10) / 65_535 if maxima.airflow else raw / 100


def _if(bit: int, read: Read) -> Read:
    """Read only if bit `bit` of the first byte says that there is such a sensor."""
    return lambda data, maxima: read(data, maxima) if data[0] >> bit & 1 else None


_C, _P, _NUMBER = _D.TEMPERATURE, _D.PERCENT, _D.NUMBER
_ABS, _GAUGE, _DIFF = _D.ABSOLUTE_PRESSURE, _D.GAUGE_PRESSURE, _D.PRESSURE_DIFFERENCE

_ALL: Final = (
    Reading(0x04, "", "calculated load", _P, "%", _percent()),
    Reading(0x05, "", "coolant temperature", _C, "°C", _byte(0, 1, -40), slow=True),
    Reading(0x06, "", "short fuel correction, bank 1", _P, "%", _trim()),
    Reading(0x07, "", "long fuel correction, bank 1", _P, "%", _trim(), slow=True),
    Reading(0x08, "", "short fuel correction, bank 2", _P, "%", _trim()),
    Reading(0x09, "", "long fuel correction, bank 2", _P, "%", _trim(), slow=True),
    Reading(0x0A, "", "fuel pressure", _GAUGE, "kPa", _byte(0, 3)),
    Reading(0x0B, "", "manifold pressure", _ABS, "kPa", _manifold, scaled_by=0x4F),
    Reading(0x0C, "", "engine speed", _D.ROTATION, "rpm", _word(0, 0.25)),
    Reading(0x0D, "", "vehicle speed", _D.SPEED, "km/h", _byte(0)),
    Reading(0x0E, "", "ignition advance, cylinder 1", _D.ANGLE, "deg", _byte(0, 0.5, -64)),
    Reading(0x0F, "", "intake air temperature", _C, "°C", _byte(0, 1, -40), slow=True),
    Reading(0x10, "", "air mass flow", _NUMBER, "g/s", _airflow, scaled_by=0x50),
    Reading(0x11, "", "throttle", _P, "%", _percent()),
    *(
        reading
        for pid in range(0x14, 0x1C)
        for reading in (
            Reading(pid, "voltage", "narrow-band sensor", _D.VOLTAGE, "V", _byte(0, 1 / 200)),
            Reading(pid, "trim", "its short fuel correction", _P, "%", _sensor_trim),
        )
    ),
    Reading(0x1F, "", "time since the engine was started", _D.TIME, "s", _word(0), slow=True),
    Reading(0x22, "", "fuel rail pressure, from manifold vacuum", _DIFF, "kPa", _word(0, 0.079)),
    Reading(0x23, "", "fuel rail pressure", _GAUGE, "kPa", _word(0, 10)),
    *(
        reading
        for pid in range(0x24, 0x2C)
        for reading in (
            Reading(pid, "lambda", "wide-range sensor", _D.LAMBDA, "lambda", _ratio, scaled_by=0x4F),
            Reading(pid, "voltage", "its voltage", _D.VOLTAGE, "V", _volts, scaled_by=0x4F),
        )
    ),
    Reading(0x2F, "", "fuel level", _P, "%", _percent(), slow=True),
    Reading(0x33, "", "barometric pressure", _ABS, "kPa", _byte(0), slow=True),
    *(
        reading
        for pid in range(0x34, 0x3C)
        for reading in (
            Reading(pid, "lambda", "wide-range sensor", _D.LAMBDA, "lambda", _ratio, scaled_by=0x4F),
            Reading(pid, "current", "its current", _NUMBER, "mA", _milliamperes, scaled_by=0x4F),
        )
    ),
    *(Reading(pid, "", "catalyst temperature", _C, "°C", _word(0, 0.1, -40)) for pid in range(0x3C, 0x40)),
    Reading(0x42, "", "voltage at the controller", _D.VOLTAGE, "V", _word(0, 1 / 1000), slow=True),
    Reading(0x43, "", "absolute load", _P, "%", _word(0, 100 / 255)),
    Reading(0x44, "", "commanded lambda", _D.LAMBDA, "lambda", _ratio, commanded=True, scaled_by=0x4F),
    Reading(0x45, "", "relative throttle", _P, "%", _percent()),
    Reading(0x46, "", "ambient temperature", _C, "°C", _byte(0, 1, -40), slow=True),
    Reading(0x47, "", "throttle, second sensor", _P, "%", _percent()),
    Reading(0x48, "", "throttle, third sensor", _P, "%", _percent()),
    Reading(0x49, "", "pedal", _P, "%", _percent()),
    Reading(0x4A, "", "pedal, second sensor", _P, "%", _percent()),
    Reading(0x4B, "", "pedal, third sensor", _P, "%", _percent()),
    Reading(0x4C, "", "commanded throttle", _P, "%", _percent(), commanded=True),
    Reading(0x52, "", "ethanol in the fuel", _P, "%", _percent(), slow=True),
    Reading(0x59, "", "fuel rail pressure, absolute", _ABS, "kPa", _word(0, 10)),
    Reading(0x5A, "", "relative pedal", _P, "%", _percent()),
    Reading(0x5C, "", "oil temperature", _C, "°C", _byte(0, 1, -40), slow=True),
    Reading(0x5E, "", "fuel flow", _NUMBER, "l/h", _word(0, 0.05)),
    Reading(0x61, "", "torque the driver asks for", _P, "%", _byte(0, 1, -125), commanded=True),
    Reading(0x62, "", "torque of the engine", _P, "%", _byte(0, 1, -125)),
    Reading(0x63, "", "torque that is 100 %", _D.TORQUE, "Nm", _word(0), slow=True),
    *(
        Reading(0x67, f"sensor{n}", "coolant temperature", _C, "°C", _if(n - 1, _byte(n, 1, -40)), slow=True)
        for n in (1, 2)
    ),
    *(
        Reading(0x6F, part, "turbocharger compressor inlet pressure", _ABS, "kPa", _if(bit, _byte(bit + 1)))
        for bit, part in enumerate(("inlet_a", "inlet_b"))
    ),
    *(
        Reading(0x70, part, says, _ABS, "kPa", _if(bit, _word(2 * bit + 1, 0.03125)), commanded=bit % 2 == 0)
        for bit, (part, says) in enumerate(
            (
                ("commanded_a", "commanded boost pressure"),
                ("boost_a", "boost pressure"),
                ("commanded_b", "commanded boost pressure, second turbocharger"),
                ("boost_b", "boost pressure, second turbocharger"),
            )
        )
    ),
    *(
        Reading(0x72, part, says, _P, "%", _if(bit, _percent(bit + 1)), commanded=bit % 2 == 0)
        for bit, (part, says) in enumerate(
            (
                ("commanded_a", "commanded wastegate position"),
                ("position_a", "wastegate position"),
                ("commanded_b", "commanded wastegate position, second turbocharger"),
                ("position_b", "wastegate position, second turbocharger"),
            )
        )
    ),
    *(
        Reading(0x87, part, "manifold pressure, wide range", _ABS, "kPa", _if(bit, _word(2 * bit + 1, 0.03125)))
        for bit, part in enumerate(("manifold_a", "manifold_b"))
    ),
)

READINGS: Final[Mapping[int, Mapping[str, Reading]]] = {
    pid: {reading.part: reading for reading in _ALL if reading.pid == pid}
    for pid in sorted({reading.pid for reading in _ALL})
}
"""PID to its readings by name, the one that is meant if none is named first."""
NAMED: Final = frozenset({0x67, 0x6F, 0x70, 0x72, 0x87})
"""PIDs whose readings are of equal rank: which is meant has to be said."""
MEMORY: Final = frozenset(
    {0x1F, 0x22, 0x33, *range(0x3C, 0x40), 0x42, 0x43, 0x46, 0x59, 0x5A, 0x5C, 0x5E, 0x61, 0x62, 0x63, 0x67, 0x6F}
    | {0x70, 0x72, 0x87, *MAXIMA_PIDS}
)
"""PIDs whose formula is quoted from memory of SAE J1979."""

_LENGTHS: Final = {
    1: "04-0B 0D-0F 11-13 1C-1E 2C-30 33 45-4C 51 52 5A-5C 5F 61 62 84",
    2: "02 03 0C 10 14-1B 1F 21-23 31 32 3C-3F 42-44 4D 4E 53-59 5D 5E 63 65",
    3: "67 6F",
    4: "00 01 20 24-2B 34-3B 40 41 4F 50 60 80 A0 C0 E0",
    5: "64 66 6A-6C 72-74 77 86 87",
    7: "68 69 75 76 7A 7B",
    9: "78 79 7C",
    10: "70 85",
}


def _lengths() -> dict[int, int]:
    found: dict[int, int] = {}
    for length, text in _LENGTHS.items():
        for part in text.split():
            first, _, last = part.partition("-")
            for pid in range(int(first, 16), int(last or first, 16) + 1):
                found[pid] = length
    return found


LENGTHS: Final[Mapping[int, int]] = _lengths()
"""Data bytes that follow each PID in an answer: what the readings of an answer to several PIDs are told apart by."""
SHORTER: Final[Mapping[int, int]] = {0x70: 9}
"""PIDs that some controllers answer with fewer bytes (70 without its last, the state of the control; from memory)."""

RANGES: Final = tuple(range(0x00, 0x100, 0x20))
"""PIDs that say which of the 32 after them there are."""

FUNCTIONAL: Final = (0x7DF, EXTENDED | 0x18DB_33F1)
"""Identifiers (id words) that all control units hear, with 11 and 29 bits (ISO 15765-4, from memory)."""
_FIRST, _LAST = 0x7E8, 0x7EF
_TO_US: Final = EXTENDED | 0x18DA_F100
_FROM_US: Final = EXTENDED | 0x18DA_00F1


def is_answer(word: int) -> bool:
    """Whether frames with this id word come from a control unit: 7E8 to 7EF, 18DAF1xx (ISO 15765-4, from memory)."""
    return _FIRST <= word <= _LAST or word & ~0xFF == _TO_US


def request_word(answers: int) -> int:
    """Return the id word under which the one control unit hears us that answers with `answers`."""
    return answers - 8 if answers <= _LAST else _FROM_US | (answers & 0xFF) << 8


def shown(word: int) -> str:
    """Return an identifier as it is written: `7E8`, `18DAF110`."""
    return f"{word & ~EXTENDED:08X}" if word & EXTENDED else f"{word:03X}"


class Wanted(NamedTuple):
    """A reading, and the control unit it is taken from (id word of its answers; 0: the first that has the PID)."""

    reading: Reading
    unit: int = 0


def parse(text: str) -> Wanted:
    """Read `PID`, `PID.reading`, either with `@7E9` behind it. Raises ValueError that says what was expected."""
    what, at, ecu = text.partition("@")
    pid, point, part = what.partition(".")
    try:
        number = int(pid, 16) if len(pid) == 2 and pid.isalnum() else -1
    except ValueError:
        number = -1
    if number < 0:
        raise ValueError(f'"{text}" does not begin with a PID, two hexadecimal digits: write for example "0B".')
    readings = READINGS.get(number)
    if readings is None:
        raise ValueError(f"PID {number:02X} is not one that gives readings here.")
    if (point and part not in readings) or (not point and number in NAMED):
        choices = ", ".join(f'"{reading.name}"' for reading in readings.values())
        what = f'PID {number:02X} has no reading "{part}"' if point else f"PID {number:02X} has several readings"
        raise ValueError(f"{what}: write one of {choices}.")
    word = 0
    if at:
        try:
            word = int(ecu, 16) | (EXTENDED if len(ecu) == 8 else 0)
        except ValueError:
            word = 0
        if not is_answer(word):
            raise ValueError(f'"@{ecu}" is no control unit: write "@7E8" to "@7EF", or "@18DAF1xx".')
    return Wanted(readings[part] if part else next(iter(readings.values())), word)
