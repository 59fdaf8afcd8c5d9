"""Sentences of a satellite receiver: what each tells, what is not to be believed, damage, any split of the bytes."""

from __future__ import annotations

import math
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Any

import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.batch import Kind, Record
from pullwatch.channels import QUANTITIES as CATALOGUE
from pullwatch.channels import Channel
from pullwatch.columns import Why, to_samples
from pullwatch.decoders import Decoding, Ledger
from pullwatch.decoders.nmea import (
    COURSE_FROM_KMH,
    LONGEST,
    QUANTITIES,
    SENTENCES,
    NmeaDecoder,
    Wanted,
    source_of,
)

from .streams import hold_checkpoint, hold_together, records_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch.columns import Sample

NAMES = {
    "speed": "vehicle_speed",
    "course": "course",
    "latitude": "latitude",
    "longitude": "longitude",
    "altitude": "altitude",
    "satellites": "satellites",
    "hdop": "hdop",
    "fix_quality": "fix_quality",
    "time": "utc_time",
    "date": "utc_date",
}
CHANNELS = {
    name: Channel(number, name, q.unit, q.dimension, q.low, q.high)
    for number, (name, q) in enumerate((name, CATALOGUE[name]) for name in NAMES.values())
}
TOLD = {channel.number: quantity for quantity, name in NAMES.items() for channel in [CHANNELS[name]]}

# Sentences of the published examples of the standard: source NMEA 0183 (IEC 61162-1); the first, second and last from
# memory, the two in the middle seen in text. Their positions by hand: degrees + minutes ÷ 60.
RMC_1994 = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
VTG_OLD = b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"
RMC_2000 = b"$GPRMC,175741,A,4751.698,N,12209.774,W,000.0,360.0,191100,019.5,E*69"
GGA_SOUTH = b"$GPGGA,092204.999,4250.5589,S,14718.5084,E,1,04,24.4,19.7,M,,,,0000*1F"


def signed(body: str) -> bytes:
    """Return a sentence with its checksum: the exclusive or of the bytes between $ and *, in hex."""
    return b"$%s*%02X" % (body.encode(), reduce(xor, body.encode(), 0))


RMC = "GNRMC,101500.20,A,0030.6000,S,02500.0000,W,60.00,090.0,250326,,,A,V"
GGA = "GNGGA,101500.20,0030.6000,S,02500.0000,W,2,12,0.8,5.4,M,18.0,M,,"
VTG = "GNVTG,090.0,T,,M,60.00,N,111.12,K,D"


def decoder(sentences: Sequence[str] = ("RMC", "GGA", "VTG")) -> NmeaDecoder:
    """Return a decoder that takes all there is of these sentences, each from the first that has it."""
    return NmeaDecoder(
        [
            Wanted(name, source_of(quantity, sentences), quantity)
            for quantity, name in NAMES.items()
            if source_of(quantity, sentences)
        ],
        CHANNELS,
    )


def decoded(made: NmeaDecoder, data: bytes, t: int = 0) -> list[Sample]:
    out: list[Sample] = []
    made.few(t, data, out)
    assert made.ledger.balances
    return out


def told(sentence: bytes | str, only: str = "") -> dict[str, tuple[float, Why]]:
    """Return what one sentence tells when it alone is taken: quantity to value and why."""
    line = signed(sentence) if isinstance(sentence, str) else sentence
    made = decoder([only or line[3:6].decode()])
    return {TOLD[channel]: (value, Why(why)) for _, channel, value, why in decoded(made, line + b"\r\n")}


def whys(sentence: str) -> dict[str, Why]:
    return {quantity: why for quantity, (_, why) in told(sentence).items()}


@pytest.mark.parametrize(
    ("sentence", "latitude", "longitude"),
    [
        # degrees + minutes ÷ 60, tolerance 1e-7 degrees (computed)
        (RMC_1994, 48.1173, 11.51666667),
        (RMC_2000, 47.86163333, -122.1629),
        (GGA_SOUTH, -42.84264833, 147.30847333),
    ],
)
def test_published_positions(sentence: bytes, latitude: float, longitude: float) -> None:
    """Positions of published sentences come out as they do by hand, north and east positive."""
    got = told(sentence)
    assert got["latitude"][0] == pytest.approx(latitude, abs=1e-7)
    assert got["longitude"][0] == pytest.approx(longitude, abs=1e-7)
    assert {got["latitude"][1], got["longitude"][1]} == {Why.GOOD}


@pytest.mark.parametrize("sentence", [RMC_1994, VTG_OLD, RMC_2000, GGA_SOUTH])
def test_published_checksums(sentence: bytes) -> None:
    """The checksum that published sentences carry is the one asked for; any other byte makes them damage."""
    made = decoder([sentence[3:6].decode()])
    assert decoded(made, sentence + b"\r\n")
    assert made.ledger == Ledger(len(sentence) + 2, len(sentence), 2, messages=1)
    for place in range(len(sentence)):
        if place in (len(sentence) - 2, len(sentence) - 1):
            continue
        bad = bytearray(sentence)
        bad[place] ^= 0x01
        made = decoder([sentence[3:6].decode()])
        assert decoded(made, bytes(bad) + b"\r\n") == []
        assert made.ledger.bad_messages >= 1


def test_knots() -> None:
    """100 kn are 185.2 km/h (nautical mile of 1,852 m, SI Brochure and ISO 80000-3; pint 0.25.3 agrees)."""
    value, why = told(RMC.replace("60.00", "100.0"))["speed"]
    assert value == pytest.approx(185.2, abs=1e-5)
    assert why is Why.GOOD


@settings(deadline=None)
@given(
    talker=st.sampled_from(["GP", "GN", "GL", "GA", "GB", "GQ", "BD", "IN"]),
    lat=st.tuples(st.integers(0, 89), st.integers(0, 5_999_999), st.sampled_from("NS")),
    lon=st.tuples(st.integers(0, 179), st.integers(0, 5_999_999), st.sampled_from("EW")),
    knots=st.integers(500, 20_000),
    course=st.integers(0, 35_999),
    at=st.tuples(st.integers(0, 23), st.integers(0, 59), st.integers(0, 5_999)),
    date=st.tuples(st.integers(1, 28), st.integers(1, 12), st.integers(0, 68)),
    altitude=st.integers(-4_000, 80_000),
    hdop=st.integers(5, 200),
)
def test_every_value_is_the_reference_librarys(
    talker: str,
    lat: tuple[int, int, str],
    lon: tuple[int, int, str],
    knots: int,
    course: int,
    at: tuple[int, int, int],
    date: tuple[int, int, int],
    altitude: int,
    hdop: int,
) -> None:
    """Sentence by sentence, all that is told is what pynmea2 1.19.0 (checksum asked for) says, positions to the bit."""
    time = f"{at[0]:02}{at[1]:02}{at[2] / 100:05.2f}"
    where = f"{lat[0]:02}{lat[1] / 1e5:08.5f},{lat[2]},{lon[0]:03}{lon[1] / 1e5:08.5f},{lon[2]}"
    day = f"{date[0]:02}{date[1]:02}{date[2]:02}"
    rmc = signed(f"{talker}RMC,{time},A,{where},{knots / 100:.2f},{course / 100:.2f},{day},,,A")
    gga = signed(f"{talker}GGA,{time},{where},1,09,{hdop / 10},{altitude / 10},M,18.0,M,,")
    vtg = signed(f"{talker}VTG,{course / 100:.2f},T,,M,{knots / 100:.2f},N,{knots * 0.01852:.3f},K,A")
    theirs: Any
    for sentence in (rmc, gga, vtg):
        theirs = pynmea2.parse(sentence.decode(), check=True)
        ours = told(sentence)
        assert {why for _, why in ours.values()} == {Why.GOOD}
        mine = {quantity: value for quantity, (value, _) in ours.items()}
        if sentence is not vtg:
            assert (mine["latitude"], mine["longitude"]) == (theirs.latitude, theirs.longitude)
            clock = theirs.timestamp
            ms = ((clock.hour * 60 + clock.minute) * 60 + clock.second) * 1e3 + clock.microsecond / 1e3
            assert mine["time"] == pytest.approx(ms, abs=0.01)
        if sentence is rmc:
            assert mine["speed"] == pytest.approx(theirs.spd_over_grnd * 1.852, rel=1e-12)
            assert mine["course"] == theirs.true_course
            assert mine["date"] == int(theirs.datestamp.strftime("%Y%m%d"))
        elif sentence is gga:
            assert mine["altitude"] == theirs.altitude
            assert mine["hdop"] == float(theirs.horizontal_dil)
            assert mine["satellites"] == int(theirs.num_sats)
            assert mine["fix_quality"] == theirs.gps_qual
        else:
            assert mine["speed"] == float(theirs.spd_over_grnd_kmph)
            assert mine["course"] == float(theirs.true_track)


def test_what_a_sentence_tells_has_one_time() -> None:
    """All that a sentence tells has the time of the byte that ended it, in order of channel number."""
    line = signed(GGA)
    got = decoded(decoder(["GGA"]), line + b"\r\n", 1_000)
    assert {t for t, *_ in got} == {1_000 + len(line)}
    assert [channel for _, channel, *_ in got] == sorted(CHANNELS[NAMES[q]].number for q in SENTENCES["GGA"])


def test_what_two_sentences_tell_is_taken_from_the_first_named() -> None:
    """Speed comes in RMC and VTG, position in RMC and GGA: only one of them is the channel's source."""
    stream = b"".join(signed(body) + b"\r\n" for body in (RMC, GGA, VTG))
    speed, latitude = CHANNELS["vehicle_speed"].number, CHANNELS["latitude"].number
    for sentences in (["RMC", "GGA", "VTG"], ["VTG", "GGA", "RMC"]):
        samples = decoded(decoder(sentences), stream)
        assert sum(sample[1] == speed for sample in samples) == 1
        assert sum(sample[1] == latitude for sample in samples) == 1
    # 60.00 kn × 1.852 against the 111.12 km/h that VTG says: the same, at another time.
    by_rmc = [s for s in decoded(decoder(["RMC", "VTG"]), stream) if s[1] == speed]
    by_vtg = [s for s in decoded(decoder(["VTG", "RMC"]), stream) if s[1] == speed]
    assert by_rmc[0][2] == pytest.approx(by_vtg[0][2])
    assert by_rmc[0][0] < by_vtg[0][0]


@pytest.mark.parametrize("mode", ["N", "E", "M", "S", ""])
def test_a_mode_that_is_no_fix_is_not_available(mode: str) -> None:
    """No fix, reckoned on, typed in, simulated, not said: nothing of it is a number, though the numbers stand there."""
    assert set(whys(RMC.replace(",A,V", f",{mode},V")).values()) == {Why.NOT_AVAILABLE}
    assert set(whys(VTG[:-1] + mode).values()) == {Why.NOT_AVAILABLE}
    assert all(math.isnan(value) for value, _ in told(VTG[:-1] + mode).values())


@pytest.mark.parametrize("mode", ["A", "D", "P", "R", "F"])
def test_a_mode_that_is_a_fix_is_believed(mode: str) -> None:
    """Autonomous, differential, precise, and both kinds of RTK are fixes."""
    assert set(whys(RMC.replace(",A,V", f",{mode},V")).values()) == {Why.GOOD}
    assert set(whys(VTG[:-1] + mode).values()) == {Why.GOOD}


def test_a_status_of_v_is_not_available_whatever_the_mode_says() -> None:
    """RMC with status V has no fix; one with another letter cannot be read, one with none does not say."""
    assert set(whys(RMC.replace(",A,0030", ",V,0030")).values()) == {Why.NOT_AVAILABLE}
    assert set(whys(RMC.replace(",A,0030", ",,0030")).values()) == {Why.NOT_AVAILABLE}
    assert set(whys(RMC.replace(",A,0030", ",X,0030")).values()) == {Why.GARBLED}
    assert set(whys(RMC.replace(",A,V", ",Q,V")).values()) == {Why.GARBLED}


def test_a_vtg_that_does_not_say_whether_there_is_a_fix_is_not_believed() -> None:
    """Before 2.3 VTG had no mode, and some receivers then wrote a speed of 0 without a fix."""
    got = told(VTG_OLD)
    assert got.keys() == {"speed", "course"}
    assert all(math.isnan(value) and why is Why.NOT_AVAILABLE for value, why in got.values())
    assert told(RMC_1994)["speed"][1] is Why.GOOD, "RMC had its status from the beginning"


@pytest.mark.parametrize(
    ("quality", "fix", "satellites"),
    [
        ("0", Why.NOT_AVAILABLE, Why.GOOD),
        *((quality, Why.GOOD, Why.GOOD) for quality in "12345"),
        ("6", Why.NOT_AVAILABLE, Why.GOOD),
        ("7", Why.NOT_AVAILABLE, Why.NOT_AVAILABLE),
        ("8", Why.NOT_AVAILABLE, Why.NOT_AVAILABLE),
        ("9", Why.GARBLED, Why.GOOD),
        ("01", Why.GARBLED, Why.GOOD),
        ("", Why.NOT_AVAILABLE, Why.GOOD),
    ],
)
def test_the_quality_of_a_gga(quality: str, fix: Why, satellites: Why) -> None:
    """Without a fix nothing that hangs on one is a number; how good the fix is, and from how many, is known."""
    got = told(GGA.replace(",2,12,", f",{quality},12,"))
    assert {got[quantity][1] for quantity in ("latitude", "longitude", "altitude", "hdop", "time")} == {fix}
    assert got["satellites"][1] is satellites
    itself = got["fix_quality"]
    assert itself == (float(quality), Why.GOOD) if len(quality) == 1 and quality < "9" else itself[1] is fix


def test_no_fix_after_power_up() -> None:
    """What a receiver sends before its first fix gives no number but those of itself: 0 is no fix, 2 satellites."""
    assert set(whys("GNRMC,101500.20,V,,,,,,,,,,N,V").values()) == {Why.NOT_AVAILABLE}
    assert set(whys("GNRMC,,V,,,,,,,,,,N").values()) == {Why.NOT_AVAILABLE}
    assert set(whys("GNVTG,,,,,,,,,N").values()) == {Why.NOT_AVAILABLE}
    got = told("GNGGA,101500.20,,,,,0,02,99.99,,,,,,")
    assert got.pop("fix_quality") == (0.0, Why.GOOD)
    assert got.pop("satellites") == (2.0, Why.GOOD)
    assert {why for _, why in got.values()} == {Why.NOT_AVAILABLE}
    assert set(whys("GNGGA,,,,,,,,,,,,,,").values()) == {Why.NOT_AVAILABLE}


@pytest.mark.parametrize(
    ("body", "old", "new", "quantity", "why"),
    [
        (RMC, "0030.6000,S", "9530.6000,S", "latitude", Why.IMPLAUSIBLE),
        (RMC, "0030.6000,S", "9000.0001,S", "latitude", Why.IMPLAUSIBLE),
        (RMC, "02500.0000,W", "18100.0000,W", "longitude", Why.IMPLAUSIBLE),
        (RMC, "0030.6000,S", "0060.0000,S", "latitude", Why.GARBLED),
        (RMC, "0030.6000,S", "030.6000,S", "latitude", Why.GARBLED),
        (RMC, "0030.6000,S", "-030.6000,S", "latitude", Why.GARBLED),
        (RMC, "0030.6000,S", "0030.6000,E", "latitude", Why.GARBLED),
        (RMC, "0030.6000,S", "0030.6000,", "latitude", Why.GARBLED),
        (RMC, "0030.6000,S", ",", "latitude", Why.NOT_AVAILABLE),
        (RMC, "02500.0000,W", "02500.0000,N", "longitude", Why.GARBLED),
        (RMC, "60.00", "-1.0", "speed", Why.IMPLAUSIBLE),
        (RMC, "60.00", "900", "speed", Why.IMPLAUSIBLE),
        (RMC, "60.00", "6e1", "speed", Why.GARBLED),
        (RMC, "60.00", "nan", "speed", Why.GARBLED),
        (RMC, "60.00", "6_0", "speed", Why.GARBLED),
        (RMC, "60.00", " 60", "speed", Why.GARBLED),
        (RMC, "60.00", "", "speed", Why.NOT_AVAILABLE),
        (RMC, "60.00", "9" * 150, "speed", Why.IMPLAUSIBLE),
        (RMC, "090.0", "361.0", "course", Why.IMPLAUSIBLE),
        (RMC, "090.0", "x", "course", Why.GARBLED),
        (RMC, "090.0", "", "course", Why.NOT_AVAILABLE),
        (RMC, "101500.20", "241500.20", "time", Why.IMPLAUSIBLE),
        (RMC, "101500.20", "106000.20", "time", Why.IMPLAUSIBLE),
        (RMC, "101500.20", "101561.00", "time", Why.IMPLAUSIBLE),
        (RMC, "101500.20", "235960.99", "time", Why.GOOD),
        (RMC, "101500.20", "1015", "time", Why.GARBLED),
        (RMC, "250326", "321326", "date", Why.IMPLAUSIBLE),
        (RMC, "250326", "2503", "date", Why.GARBLED),
        (RMC, "250326", "", "date", Why.NOT_AVAILABLE),
        (GGA, "5.4,M", "5.4,F", "altitude", Why.GARBLED),
        (GGA, "5.4,M", "9999.0,M", "altitude", Why.IMPLAUSIBLE),
        (GGA, "5.4,M", ",M", "altitude", Why.NOT_AVAILABLE),
        (GGA, ",12,", ",1.5,", "satellites", Why.GARBLED),
        (GGA, ",12,", ",,", "satellites", Why.NOT_AVAILABLE),
        (GGA, "0.8", "99.99", "hdop", Why.IMPLAUSIBLE),
        (VTG, "111.12,K", "111.12,M", "speed", Why.GARBLED),
        (VTG, "090.0,T", "090.0,M", "course", Why.GARBLED),
        (VTG, "111.12,K,D", "111.12,K,Z", "speed", Why.GARBLED),
    ],
)
def test_a_right_checksum_makes_no_wrong_value_right(body: str, old: str, new: str, quantity: str, why: Why) -> None:
    """A whole sentence with an impossible value or a field that cannot be read gives a fault, and not a number."""
    assert old in body
    assert told(body.replace(old, new, 1))[quantity][1] is why


def test_an_impossible_position_is_one_whatever_the_setup_believes() -> None:
    """A believable range wider than the globe does not make a latitude of 95 degrees one."""
    wide = Channel(1, "somewhere", "deg", CATALOGUE["latitude"].dimension, -1_000, 1_000)
    made = NmeaDecoder([Wanted("somewhere", "RMC", "latitude")], {"somewhere": wide})
    line = signed(RMC.replace("0030.6000", "9530.6000")) + b"\r\n"
    assert [(value, why) for _, _, value, why in decoded(made, line)] == [(-95.51, Why.IMPLAUSIBLE)]


def test_what_is_believed_is_the_channels_range() -> None:
    """A value beyond what the setup believes of its channel is implausible."""
    slow = Channel(1, "vehicle_speed", "km/h", CATALOGUE["vehicle_speed"].dimension, 0, 100)
    made = NmeaDecoder([Wanted("vehicle_speed", "RMC", "speed")], {"vehicle_speed": slow})
    assert [why for *_, why in decoded(made, signed(RMC) + b"\r\n")] == [Why.IMPLAUSIBLE]


@pytest.mark.parametrize(
    ("knots", "why"),
    [("0.00", Why.NOT_AVAILABLE), ("2.69", Why.NOT_AVAILABLE), ("2.70", Why.GOOD), ("", Why.NOT_AVAILABLE)],
)
def test_no_course_at_a_standstill(knots: str, why: Why | None) -> None:
    """Below 5 km/h (2.7 kn), and when the speed is not known, a course is the direction of noise: not available."""
    assert pytest.approx(2.70 * 1.852, abs=0.01) == COURSE_FROM_KMH
    assert told(RMC.replace("60.00", knots))["course"][1] is why


def test_years() -> None:
    """Two digits of a year are of this century up to 68, of the last from 69 on (POSIX)."""
    assert told(RMC_1994)["date"] == (19_940_323.0, Why.GOOD)
    assert told(RMC)["date"] == (20_260_325.0, Why.GOOD)
    assert told(RMC.replace("250326", "010169"))["date"] == (19_690_101.0, Why.IMPLAUSIBLE)


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_every_end_of_sentence(end: bytes) -> None:
    """CR LF ends a sentence by the standard; either alone is taken too, wherever the read was cut."""
    line = signed(VTG)
    stream = (line + end) * 2
    expected = decoded(decoder(["VTG"]), stream)
    assert [t for t, *_ in expected] == [len(line)] * 2 + [2 * len(line) + len(end)] * 2
    for cut in range(len(stream)):
        made = decoder(["VTG"])
        assert decoded(made, stream[:cut]) + decoded(made, stream[cut:], cut) == expected


@pytest.mark.parametrize(
    "damage",
    [
        b"$GNRMC,1015",  # lost its end: the next sentence begins within it
        b"RMC,101500.20,A,0030\r\n",  # lost its beginning
        signed(RMC)[:-3] + b"\r\n",  # no checksum
        signed(RMC)[:-1] + b"\r\n",  # half a checksum
        signed(RMC) + b" \r\n",  # more behind it
        signed(RMC)[:20] + signed(RMC)[24:] + b"\r\n",  # bytes lost
        b"$\r\n$*\r\n$*00\r\n",
        b"\x00\xff\xb5\x62\x01",  # what is no text at all
        signed(RMC).replace(b",", b"\xac", 1) + b"\r\n",
        b"$" + b"9" * (LONGEST + 9) + b"\r\n",
        signed("GNRMC,101500.20,A") + b"\r\n",  # whole, and too short to be one
    ],
)
def test_damage_takes_nothing_with_it(damage: bytes) -> None:
    """A damaged sentence gives no sample, is counted, and the very next one is whole."""
    made = decoder(["RMC"])
    assert decoded(made, damage) == []
    line = signed(RMC) + b"\r\n"
    assert len(decoded(made, line, 10_000)) == len(SENTENCES["RMC"])
    ledger = made.ledger
    assert ledger.bad_messages >= 1
    assert ledger.decoded == len(line) - 2
    assert ledger.rejected + ledger.passed_over == len(damage) + 2


def test_a_checksum_in_small_letters_is_one() -> None:
    """Some receivers write the hex digits of the checksum small."""
    line = signed(RMC)
    assert line[-2:].lower() != line[-2:]
    assert len(decoded(decoder(["RMC"]), line[:-2] + line[-2:].lower() + b"\r\n")) == len(SENTENCES["RMC"])


def test_longer_sentences_than_the_standards_are_read_up_to_a_bound() -> None:
    """A position to the millimetre makes a sentence longer than 82 bytes; one beyond the bound is damage."""
    long = GGA.replace("0030.6000", "0030.6" + "0" * 30)
    assert len(signed(long)) > 82
    assert told(long)["latitude"] == (-0.51, Why.GOOD)
    fill = LONGEST - len(signed(GGA))
    most = signed(GGA.replace("0030.6000", "0030.6000" + "0" * fill))
    assert len(most) == LONGEST
    assert decoded(decoder(["GGA"]), most + b"\r\n")
    made = decoder(["GGA"])
    more = signed(GGA.replace("0030.6000", "0030.6000" + "0" * (fill + 1)))
    assert decoded(made, more + b"\r\n") == []
    assert made.ledger == Ledger(len(more) + 2, 0, 2, len(more), bad_messages=1)


def test_bytes_without_end_are_not_kept() -> None:
    """What never ends is rejected as it comes, counted once, and what follows its end decodes."""
    for fill in (b"9", b"$"):
        made = decoder(["VTG"])
        decoded(made, b"$GN")
        for t in range(0, 10**5, 1_000):
            assert decoded(made, fill * 100, t) == []
            assert made.ledger.pending <= LONGEST
        assert len(decoded(made, b"\r\n" + signed(VTG) + b"\r\n", 10**6)) == 2
        assert (made.ledger.bad_messages == 1) is (fill == b"9")


@pytest.mark.parametrize(
    "body",
    [
        "GPGSV,1,1,01,21,34,267,41",
        "GPGLL,4807.038,N,01131.000,E,123519,A,A",
        "PXRMC,101500.20,A,0030.6000,S,02500.0000,W,60.00,090.0,250326,,,A,V",  # one maker's own, however it ends
        "PRMC,101500.20,A",
        "GPGPQ,RMC",
        "RMC,101500.20,A,0030.6000,S,02500.0000,W,60.00,090.0,250326,,,A,V",
    ],
)
def test_whole_sentences_nobody_asked_for_are_passed_over(body: str) -> None:
    """A sentence with a right checksum that is not wanted is no damage: it counts, and gives nothing."""
    made = decoder(["RMC"])
    line = signed(body)
    assert decoded(made, line + b"\r\n") == []
    assert made.ledger == Ledger(len(line) + 2, 0, len(line) + 2, messages=1)


def test_encapsulated_sentences_are_passed_over() -> None:
    """Sentences that begin with ! carry binary data and are not ours."""
    made = decoder(["RMC"])
    line = b"!" + signed(RMC)[1:]
    assert decoded(made, line + b"\r\n") == []
    assert made.ledger == Ledger(len(line) + 2, 0, len(line) + 2, messages=1)


def test_what_was_pending_at_a_loss_is_rejected() -> None:
    """Through `Decoding`, few or many: half a sentence before LOST is never joined to what comes after FOUND."""
    line = signed(VTG) + b"\r\n"
    for lines in (1, 1_000):
        made = decoder(["VTG"])
        end = len(line) * lines + 20
        records = [
            Record(0, 1, Kind.DATA, line * lines + line[:20]),
            Record(end + 10, 1, Kind.LOST, b"gone"),
            Record(end + 20, 1, Kind.FOUND, b"port"),
            Record(end + 30, 1, Kind.DATA, line[20:] + line),
        ]
        batch = Decoding({1: made}).batch(10**9, records)
        samples = batch.samples if batch.samples is not None else to_samples(batch.columns or {})
        assert len(samples) == 2 * (lines + 1)
        assert made.ledger.balances
        assert made.ledger.rejected == len(line) - 2
        assert made.ledger.bad_messages == 2


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: NmeaDecoder([], CHANNELS), "needs channels"),
        (lambda: NmeaDecoder([Wanted("latitude", "RMC", "latitude")] * 2, CHANNELS), "wanted once"),
        (lambda: NmeaDecoder([Wanted("boots", "RMC", "latitude")], CHANNELS), "no channel"),
        (lambda: NmeaDecoder([Wanted("latitude", "VTG", "latitude")], CHANNELS), 'VTG has no "latitude"'),
        (lambda: NmeaDecoder([Wanted("altitude", "RMC", "latitude")], CHANNELS), 'is kept in "m"'),
    ],
)
def test_what_makes_no_sense_is_refused(make: Callable[[], NmeaDecoder], says: str) -> None:
    """Facts that contradict each other are refused when the decoder is made."""
    with pytest.raises(ValueError, match=says):
        make()


def test_every_quantity_has_a_source_and_a_channel() -> None:
    """Each quantity comes in some sentence, and the catalogue has a channel that can hold it."""
    assert {quantity for told_of in SENTENCES.values() for quantity in told_of} == set(QUANTITIES)
    for quantity, name in NAMES.items():
        dimensions, unit = QUANTITIES[quantity]
        assert CATALOGUE[name].dimension in dimensions
        assert CATALOGUE[name].unit == unit
    assert source_of("altitude", ["RMC", "VTG"]) == ""
    assert source_of("speed", ["GSV", "VTG", "RMC"]) == "VTG"


PIECES = st.one_of(
    st.sampled_from([signed(body) + b"\r\n" for body in (RMC, GGA, VTG, "GPGSV,1,1,00")]),
    st.sampled_from([RMC_1994, VTG_OLD, GGA_SOUTH]),
    st.sampled_from([b"$", b"!", b"*", b"\r", b"\n", b"\r\n", b",", b"$GNRMC,", b"*6A", b" ", b"$" * 3]),
    st.sampled_from([b"9" * 300, b"$" + b"1" * LONGEST, b"$" + b"1" * (LONGEST - 1), b"\xff" * 5]),
    st.binary(max_size=6),
)


@settings(deadline=None, max_examples=200)
@given(
    st.lists(PIECES, max_size=30).map(b"".join),
    st.lists(st.integers(0, 10**6), max_size=8),
    st.lists(st.booleans(), max_size=8),
)
def test_any_bytes_in_any_split(stream: bytes, cuts: list[int], modes: list[bool]) -> None:
    """Samples, times and the ledger depend on the bytes alone; nothing good is no number."""
    samples = hold_together(decoder, stream, cuts, modes)
    assert all(math.isfinite(value) for _, _, value, why in samples if why == Why.GOOD)
    hold_checkpoint(decoder, stream, cuts[0] if cuts else 0)


@given(st.lists(st.sampled_from([RMC, GGA, VTG]), max_size=6), st.lists(st.integers(0, 10**6), max_size=20))
def test_the_ledger_balances_at_every_byte(bodies: list[str], cuts: list[int]) -> None:
    """However the reads fall, every byte taken is decoded, passed over, rejected or pending."""
    stream = b"".join(signed(body) + b"\r\n" for body in bodies)
    made = decoder()
    out: list[Sample] = []
    for record in records_of(stream, cuts):
        made.few(record.t, record.data, out)
        assert made.ledger.balances
        assert made.ledger.rejected == 0
    assert made.ledger.messages == len(bodies)
