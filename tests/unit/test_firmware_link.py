"""The firmware's link against the standard, in virtual time.

Source: MQTT Version 3.1.1, OASIS Standard, 29 October 2014, named by section, figure, table or conformance statement;
quoted from memory, so a second witness encodes the same packets: paho-mqtt.
"""

import json
import socket
from functools import partial
from itertools import pairwise
from typing import Any
from unittest.mock import MagicMock

import paho.mqtt.client as paho
import pytest
from hypothesis import given
from hypothesis import strategies as st
from link_world import (
    ALL,
    CONNACK_BYTES,
    CONNECT,
    DISCONNECT,
    PERIOD,
    PINGREQ,
    PINGRESP_BYTES,
    PUBLISH,
    SUBSCRIBE,
    Connection,
    Network,
    Station,
    cut,
    down,
    kind,
    link,
    mqtt,
    published,
    sockets,
)
from paho.mqtt.enums import CallbackAPIVersion

from tareline.resources import load_firmware

UP = "tareline/f1/up/"


def up() -> Station:
    return Station().come_up()


# Packets

TABLE_2_4 = [  # "Size of Remaining Length field"
    (0, "00"),
    (127, "7f"),
    (128, "8001"),
    (16383, "ff7f"),
    (16384, "808001"),
    (2097151, "ffff7f"),
    (2097152, "80808001"),
    (268435455, "ffffff7f"),
]
EXAMPLES_2_2_3 = [(64, "40"), (321, "c102")]


@pytest.mark.parametrize(("size", "encoded"), TABLE_2_4 + EXAMPLES_2_2_3)
def test_remaining_length_is_encoded_and_read_as_in_table_2_4(size: int, encoded: str) -> None:
    assert mqtt.remaining_length(size).hex() == encoded
    reader = mqtt.Reader(16, lambda: True)
    stream = b"\x30" + bytes.fromhex(encoded)
    assert reader.feed(stream, 0, len(stream)) == len(stream)
    assert reader.size == size
    assert reader.complete == (size == 0)


@pytest.mark.parametrize("size", [-1, 268435456])
def test_no_other_remaining_length_exists(size: int) -> None:
    with pytest.raises(ValueError, match="at most 268435455"):
        mqtt.remaining_length(size)


def test_a_fifth_byte_of_remaining_length_is_refused() -> None:
    with pytest.raises(mqtt.MalformedError, match="four bytes"):
        mqtt.Reader(16, lambda: True).feed(b"\x30\xff\xff\xff\xff\x01", 0, 6)


def test_a_string_is_encoded_as_in_figure_1_2() -> None:
    assert mqtt.string("A\U0002a6d4").hex(" ") == "00 05 41 f0 aa 9b 94"


def test_a_string_with_u_0000_is_refused() -> None:
    with pytest.raises(ValueError, match=r"U\+0000"):
        mqtt.string("a\x00b")  # [MQTT-1.5.3-2]


def test_connect_is_laid_out_as_in_section_3_1() -> None:
    packet = mqtt.connect_packet("f1", 10, "t", b"w", "u", "p")
    # Figure 3.6 with our choice of flags: user 1, password 1, will retain 1, will QoS 01, will 1, clean session 0.
    header = "00 04 4d 51 54 54 04 ec 00 0a"
    payload = "00 02 66 31 00 01 74 00 01 77 00 01 75 00 01 70"  # client id, will topic, will message, user, password
    assert packet.hex(" ") == f"10 1a {header} {payload}"


def test_connect_without_a_user_has_no_user_and_no_password() -> None:
    assert mqtt.connect_packet("f1", 20, "t", b"w", None, None)[9] == 0b00101100


def test_a_password_without_a_user_is_refused() -> None:
    with pytest.raises(ValueError, match="user"):
        mqtt.connect_packet("f1", 20, "t", b"w", None, "p")  # [MQTT-3.1.2-22]


def test_publish_is_laid_out_as_in_figure_3_11() -> None:
    assert mqtt.publish_packet("a/b", b"", 10, False).hex(" ") == "32 07 00 03 61 2f 62 00 0a"
    assert mqtt.publish_packet("a/b", b"!", 10, True).hex(" ") == "33 08 00 03 61 2f 62 00 0a 21"


def test_subscribe_is_laid_out_as_in_figure_3_23() -> None:
    packet = mqtt.subscribe_packet(10, [("a/b", 1), ("c/d", 2)])
    assert packet.hex(" ") == "82 0e 00 0a 00 03 61 2f 62 01 00 03 63 2f 64 02"


def test_the_smallest_packets_are_as_in_sections_3_4_3_12_and_3_14() -> None:
    assert mqtt.puback_packet(0x1234).hex(" ") == "40 02 12 34"
    assert mqtt.PINGREQ_PACKET.hex(" ") == "c0 00"
    assert mqtt.DISCONNECT_PACKET.hex(" ") == "e0 00"


def test_paho_encodes_the_same_packets() -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, "f1", clean_session=False, protocol=paho.MQTTv311)
    client.will_set("tareline/f1/up/status", b'{"online": false}', qos=1, retain=True)
    client.username_pw_set("keeper", "pass word \u00e9")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        client.connect("127.0.0.1", listener.getsockname()[1], keepalive=20)
        theirs, _ = listener.accept()
        with theirs:
            theirs.settimeout(10)
            client.loop(0.01)

            def next_packet() -> bytes:
                stream = b""
                while not cut(stream)[0]:
                    stream += theirs.recv(1)
                return stream

            expected = mqtt.connect_packet(
                "f1", 20, "tareline/f1/up/status", b'{"online": false}', "keeper", "pass word \u00e9"
            )
            assert next_packet() == expected
            theirs.sendall(CONNACK_BYTES)
            while not client.is_connected():
                client.loop(1)
            filters = [("tareline/f1/down/hold", 1), ("tareline/f1/down/time", 0)]
            number = client.subscribe(filters)[1]
            client.loop(0.01)
            assert next_packet() == mqtt.subscribe_packet(number, filters)
            for payload, retained in ((b"x" * 200, False), (b"", True), ("\u00b5g".encode(), True)):
                number = client.publish("tareline/f1/up/dose", payload, qos=1, retain=retained).mid
                client.loop(0.01)
                assert next_packet() == mqtt.publish_packet("tareline/f1/up/dose", payload, number, retained)
            client.disconnect()
            client.loop(0.01)
            assert next_packet() == mqtt.DISCONNECT_PACKET


@pytest.mark.parametrize("name", ["a+b", "a#", ""])
def test_a_device_whose_name_no_topic_can_hold_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="device: expected"):
        link.Link({"host": "h", "port": 1, "root": "r"}, name, int, PERIOD, int, int, int)


def test_tls_without_a_ca_is_refused() -> None:
    with pytest.raises(ValueError, match="ca: expected"):
        Station(tls=True)


# Coming up


def test_it_connects_subscribes_and_then_is_up() -> None:
    station = Station()
    station.network.answers = frozenset({CONNECT})
    station.link.poll(10)
    connect, subscribe = station.network.last.sent
    assert connect == mqtt.connect_packet("f1", 20, UP + "status", b'{"online": false}', None, None)
    filters = [(f"tareline/f1/down/{t}", 1 - (t == "time")) for t in ("plan", "hold", "received", "time", "command")]
    assert subscribe == mqtt.subscribe_packet(1, filters)
    assert not station.link.up
    assert station.told == []
    station.network.last.give(b"\x90\x07\x00\x01\x01\x01\x01\x00\x01")
    station.link.poll(10)
    assert station.link.up
    assert station.told == ["up"]


def test_poll_returns_as_soon_as_the_link_is_up() -> None:
    station = Station()
    station.link.poll(60000)
    assert station.link.up
    assert station.network.now_ms == 0


def test_a_device_that_reads_nothing_is_up_without_a_subscription() -> None:
    station = Station(tails=())
    station.come_up()
    station.link.publish("samples", b"[]", False, 1)
    station.run(100)
    assert station.network.last.of_kind(SUBSCRIBE) == []
    assert station.link.delivered == [1]


@given(st.lists(st.integers(1, 9), min_size=1, max_size=8), st.integers(1, 40))
def test_any_split_of_the_stream_reads_the_same(pieces: list[int], takes: int) -> None:
    station = Station()
    wanted = [("hold", b"h" * 300), ("plan", b""), ("time", b"t")]

    def slow() -> None:
        station.network.last.gives, station.network.last.takes = pieces[0], takes

    station.network.on_open = slow
    station.come_up()
    stream = down("hold", b"h" * 300, 7) + down("plan", b"", 8) + down("time", b"t")
    at = number = 0
    while at < len(stream):
        piece = pieces[number % len(pieces)]
        station.network.last.give(stream[at : at + piece])
        station.link.poll(0)
        at, number = at + piece, number + 1
    station.run(1000, lambda: len(station.link.inbox) == 3)
    assert station.arrived() == wanted
    assert station.faults == []


# Up: kept until acknowledged


def payloads(connection: Connection) -> list[tuple[str, bytes, bool]]:
    """(tail, payload, DUP) of the device's PUBLISHes."""
    return [
        (published(packet)[0].removeprefix(UP), published(packet)[2], bool(packet[0] & 8))
        for packet in connection.of_kind(PUBLISH)
    ]


def test_what_was_not_acknowledged_is_sent_again_first_in_order_with_dup_before_up() -> None:
    station = up()
    station.network.answers = frozenset({CONNECT, SUBSCRIBE})
    for number in range(3):
        assert station.link.publish("dose", b"%d" % number)
    station.link.poll(0)
    before = station.network.last.of_kind(PUBLISH)
    station.network.last.broken = True
    station.link.poll(10)
    assert station.told == ["up", "down"]
    assert station.link.publish("fault", b"new")
    station.network.last.broken = False
    sent_when_up: list[list[tuple[str, bytes, bool]]] = []
    station.link._on_up = lambda: sent_when_up.append(payloads(station.network.last))
    station.come_up()
    again = [("dose", b"0", True), ("dose", b"1", True), ("dose", b"2", True)]
    assert sent_when_up[0][:3] == again
    station.link.poll(0)
    assert payloads(station.network.last) == [*again, ("fault", b"new", False)]
    for old, new in zip(before, station.network.last.of_kind(PUBLISH)[:3], strict=True):
        assert published(old) == published(new)  # the same identifiers [MQTT-4.4.0-1]
        assert old[0] | 8 == new[0]


def test_it_is_not_up_before_everything_has_been_sent_again() -> None:
    station = up()
    station.network.answers = frozenset({CONNECT, SUBSCRIBE})
    station.link.publish("dose", b"1")
    station.link.publish("dose", b"2")
    station.link.poll(0)
    station.network.last.broken = True
    station.link.poll(10)
    # CONNECT, SUBSCRIBE and one of the two fit into the socket.
    station.network.on_open = lambda: setattr(station.network.last, "full_after", 3)
    station.run(1000)
    connection = station.network.last
    assert payloads(connection) == [("dose", b"1", True)]
    assert not connection.waiting  # the SUBACK has been read
    assert station.told == ["up", "down"]
    connection.full_after = None
    station.link.poll(10)
    assert station.told == ["up", "down", "up"]


def test_a_puback_ends_it() -> None:
    station = up()
    station.link.publish("dose", {"seq": 1}, False, "one")
    station.link.publish("dose", {"seq": 2})
    station.run(100)
    assert station.link.delivered == ["one"]
    assert station.link.room() == 4
    station.network.last.broken = True
    station.link.poll(10)
    station.come_up()
    assert payloads(station.network.last) == []


def test_json_is_what_goes_out() -> None:
    station = up()
    fields = {"seq": 3, "at_ms": None, "outcome": "ok", "text": "\u00b5"}
    station.link.publish("dose", fields)
    station.link.publish("samples", [{"n": "temperature"}])
    station.link.poll(0)
    first, second = payloads(station.network.last)
    assert json.loads(first[1]) == fields
    assert json.loads(second[1]) == [{"n": "temperature"}]


def test_at_most_four_are_under_way_and_sixteen_kept() -> None:
    station = up()
    station.network.answers = frozenset()
    taken = [station.link.publish("fault", b"%d" % number) for number in range(20)]
    assert taken == [True] * 16 + [False] * 4
    assert station.link.room() == 0
    station.link.poll(0)
    assert len(station.network.last.of_kind(PUBLISH)) == 4
    for packet in station.network.last.of_kind(PUBLISH)[2:4]:
        station.network.last.give(b"\x40\x02" + published(packet)[1].to_bytes(2))
    station.link.poll(0)
    assert [payload for _, payload, _ in payloads(station.network.last)] == [b"%d" % number for number in range(6)]


def test_eight_kib_are_kept_at_most_and_a_refusal_changes_nothing() -> None:
    station = up()
    station.network.answers = frozenset()
    assert station.link.publish("status", b"small", True)
    assert not station.link.publish("status", b"x" * 16384, True)
    assert station.link.publish("samples", b"x" * 7600)
    assert station.link.room() == 0
    assert not station.link.publish("fault", b"y" * 600)
    station.link.poll(0)
    assert [(tail, len(payload)) for tail, payload, _ in payloads(station.network.last)] == [
        ("status", 5),
        ("samples", 7600),
    ]


def test_room_is_what_is_left_of_the_window_and_none_while_down() -> None:
    station = Station()
    assert station.link.room() == 0
    station.come_up()
    station.network.answers = frozenset()
    assert station.link.room() == 4
    station.link.publish("fault", b"1")
    assert station.link.room() == 3


def test_a_newer_retained_message_replaces_one_that_waits() -> None:
    station = Station()
    for number in range(30):
        assert station.link.publish("hello", b"%d" % number, True)
        assert station.link.publish("applied", b"%d" % number, True)
    station.link.publish("fault", b"only one")
    station.come_up()
    station.link.poll(0)
    assert payloads(station.network.last) == [
        ("hello", b"29", False),
        ("applied", b"29", False),
        ("fault", b"only one", False),
    ]
    assert [packet[0] & 1 for packet in station.network.last.of_kind(PUBLISH)] == [1, 1, 0]


def test_a_retained_message_under_way_is_followed_and_not_replaced() -> None:
    station = up()
    station.network.answers = frozenset()
    station.link.publish("hello", b"old", True)
    station.link.poll(0)
    station.link.publish("hello", b"new", True)
    station.link.poll(0)
    assert payloads(station.network.last) == [("hello", b"old", False), ("hello", b"new", False)]


def test_identifiers_are_never_zero_nor_in_use() -> None:
    station = up()
    outbox = station.link.outbox
    station.network.answers = frozenset()
    outbox._last_id = 65533
    for number in range(3):
        station.link.publish("fault", b"%d" % number)
    outbox._last_id = 65533
    station.link.publish("fault", b"3")
    station.link.poll(0)
    assert [published(packet)[1] for packet in station.network.last.of_kind(PUBLISH)] == [65534, 65535, 1, 2]


def test_a_puback_that_nobody_waits_for_means_nothing() -> None:
    station = up()
    station.network.last.give(b"\x40\x02\x12\x34")
    station.link.poll(0)
    assert station.link.up
    assert station.faults == []


# Messages from above: acknowledged in order


def test_pubacks_go_out_in_the_order_of_arrival_even_if_a_hold_is_handled_first() -> None:
    station = up()
    station.network.last.give(down("plan", b"p", 11), down("received", b"r", 12), down("hold", b"h", 13))
    station.link.poll(0)
    taken = [station.link.take() for _ in range(3)]
    assert [tail for tail, _, _ in taken] == ["hold", "plan", "received"]
    station.link.acknowledge(taken[0][2])
    station.link.poll(0)
    assert station.network.last.acknowledged() == []
    station.link.acknowledge(taken[1][2])
    station.link.poll(0)
    assert station.network.last.acknowledged() == [11]
    station.link.acknowledge(taken[2][2])
    station.link.poll(0)
    assert station.network.last.acknowledged() == [11, 12, 13]  # [MQTT-4.6.0-2]


def test_qos_0_is_not_acknowledged_and_an_empty_inbox_gives_none() -> None:
    station = up()
    station.network.last.give(down("time", b"t"))
    station.link.poll(0)
    tail, payload, item = station.link.take()
    assert (tail, payload, item) == ("time", [b"t"], None)
    station.link.acknowledge(item)
    station.link.poll(0)
    assert station.network.last.acknowledged() == []
    assert station.link.take() is None
    assert station.link.take("hold") is None


def test_an_acknowledgement_for_an_older_connection_is_dropped_and_its_message_stays() -> None:
    station = up()
    station.network.last.give(down("hold", b"h", 9))
    station.link.poll(0)
    station.network.last.broken = True
    station.run(10)
    assert station.arrived() == [("hold", b"h")]
    station.network.last.broken = False
    while not station.link.up:
        station.link._move(False)
        station.network.now_ms += 10
    _, _, item = station.link.take()
    station.link.acknowledge(item)
    station.link.poll(0)
    assert station.network.last.acknowledged() == []
    station.network.last.give(down("hold", b"h", 1, first=0x3A))  # the broker brings it again, with DUP
    station.link.poll(0)
    _, payload, item = station.link.take()
    assert payload == [b"h"]
    station.link.acknowledge(item)
    station.link.poll(0)
    assert station.network.last.acknowledged() == [1]


def test_what_an_older_firmware_subscribed_to_is_acknowledged_and_left() -> None:
    station = up()
    station.network.last.give(down("forgotten", b"x", 5), down("hold", b"h", 6))
    station.link.poll(0)
    assert station.arrived() == [("hold", b"h")]
    station.link.poll(0)
    assert station.network.last.acknowledged() == [5]


def test_a_message_beyond_the_contract_is_skipped_acknowledged_and_told() -> None:
    station = up()
    size = len(station.link._reader.body)
    for large, number in ((8193, 3), (3_000_000, 4)):
        station.network.last.give(down("plan", b"x" * large, number))
        station.run(1, lambda: not station.network.last.waiting)
        assert station.faults.pop() == ("message_too_large", f"down/plan: {large} bytes, at most 8192")
    station.network.last.give(down("plan", b"y" * 8192, 5))
    station.link.poll(0)
    assert station.arrived() == [("plan", b"y" * 8192)]
    station.link.poll(0)
    assert station.network.last.acknowledged() == [3, 4]
    assert len(station.link._reader.body) == size


def test_a_long_message_that_is_skipped_slowly_is_a_sign_of_life() -> None:
    station = up()
    connection = station.network.last
    message = down("plan", b"x" * 40000, 3)
    for at in range(0, len(message), 1000):  # over two minutes; no PINGRESP can come in between
        station.network.answers = frozenset()
        connection.give(message[at : at + 1000])
        station.run(3000)
    assert station.faults == [("message_too_large", "down/plan: 40000 bytes, at most 8192")]
    assert connection.closed_ms is None


# Busy: holds only


def fill(station: Station) -> Connection:
    """Six commands and then a hold, all at once, while a dose is under way."""
    connection = station.network.last
    connection.give(*[down("command", b"%d" % number, 20 + number) for number in range(6)])
    connection.give(down("hold", b"stop", 30), down("received", b"r", 31))
    station.link.pump()
    return connection


def test_a_hold_gets_through_while_the_inbox_is_full() -> None:
    station = up()
    fill(station)
    tail, payload, _ = station.link.take("hold")
    assert (tail, payload) == ("hold", [b"stop"])
    assert station.link.take("hold") is None
    assert station.arrived() == [("command", b"%d" % number) for number in range(4)]


def test_what_did_not_fit_is_brought_again_by_a_new_connection_once_the_inbox_is_empty() -> None:
    station = up()
    connection = fill(station)
    assert station.link.renew
    station.link.acknowledge(station.link.take("hold")[2])
    station.link.pump()
    assert connection.closed_ms is None
    while (message := station.link.take()) is not None:
        station.link.acknowledge(message[2])
    station.run(1000, lambda: len(station.network.connections) == 2)
    assert connection.acknowledged() == [20, 21, 22, 23, 30]  # and none of those that were dropped
    assert kind(connection.sent[-1]) == DISCONNECT  # so that the last will is not published
    station.come_up()
    assert station.told == ["up", "down", "up"]
    assert not station.link.renew
    assert station.network.now_ms < 100


def test_nothing_but_a_hold_overtakes_what_was_dropped() -> None:
    station = up()
    connection = fill(station)
    while station.link.take() is not None:
        pass
    connection.give(down("command", b"later", 40), down("hold", b"another", 41))
    station.link.pump()
    assert station.arrived() == [("hold", b"another")]


def test_without_a_dose_nothing_is_dropped_the_socket_waits_instead() -> None:
    station = up()
    station.network.last.give(*[down("command", b"c%d" % number, 20 + number) for number in range(30)])
    got: list[Any] = []
    while len(got) < 30:
        station.link.poll(0)
        assert len(station.link.inbox) <= 4
        _, payload, item = station.link.take()
        got.append(payload)
        station.link.acknowledge(item)
    station.link.poll(0)
    assert got == [[b"c%d" % number] for number in range(30)]
    assert station.network.last.acknowledged() == list(range(20, 50))
    assert not station.link.renew


def test_one_pump_brings_a_hold_from_behind_the_largest_message() -> None:
    station = up()
    station.network.last.give(down("plan", b"p" * 8192, 1), down("hold", b"h", 2))
    station.link.pump()
    assert station.link.take("hold")[1] == [b"h"]


def test_one_pump_brings_a_hold_from_behind_two_hundred_plans() -> None:
    station = up()
    plans = [down("plan", b"p" * 5000, number) for number in range(1, 201)]
    station.network.last.give(*plans, down("hold", b"h", 300))
    assert station.link.pump()
    assert station.link.take("hold")[1] == [b"h"]
    assert station.link.renew  # what was dropped comes again


def test_a_flood_without_end_is_told_after_two_seconds() -> None:
    station = up()

    def more(buffer: memoryview) -> int:
        station.network.now_ms += 5
        memoryview(buffer)[:2] = PINGRESP_BYTES
        return 2

    station.network.last.receive = more  # type: ignore[method-assign]
    began_ms = station.network.now_ms
    assert not station.link.pump()
    assert 2000 <= station.network.now_ms - began_ms <= 2100


@pytest.mark.parametrize("size", [0, 1, 1023, 1024, 1025, 1100, 2048, 5000, 8192])
@pytest.mark.parametrize("gives", [1, 7, 1024])
def test_a_message_of_any_size_comes_whole_and_in_small_pieces(size: int, gives: int) -> None:
    station = up()
    content = bytes(number * 7 % 251 for number in range(size))
    station.network.last.gives = gives
    station.network.last.give(down("plan", content, 5))
    station.run(2000, lambda: station.link.inbox)
    _, payload, _ = station.link.take()
    assert b"".join(payload) == content
    assert max(len(piece) for piece in payload) <= 1100


def test_a_session_that_may_have_done_harm_is_dropped_by_the_broker_first() -> None:
    station = Station(forget=True)
    station.run(5000, lambda: station.link.up)
    first, second = station.network.connections
    assert [packet[9] & 2 for packet in (*first.of_kind(1), *second.of_kind(1))] == [2, 0]  # the clean session flag
    assert first.of_kind(8) == []  # nothing is subscribed in a session that will not last


def test_a_flood_of_holds_stays_bounded_and_none_is_lost_for_good() -> None:
    station = up()
    station.network.last.give(*[down("hold", b"x" * 8000, number) for number in range(1, 30)])
    while station.network.last.waiting:
        station.link.pump()
    assert sum(len(payload) for _, payload in station.arrived()) <= 18432
    assert station.link.renew


def flooded(answers: bool) -> tuple[Station, Connection]:
    """What waits for the broker fills the outbox, and behind the inbox stand messages that do not fit it."""
    station = up()
    station.network.answers = frozenset()
    for number in range(12):
        station.link.publish("reply", b"%d" % number)
    station.link.poll(0)
    connection = station.network.last
    connection.give(*[down("command", b"%d" % number, 20 + number) for number in range(20)])
    if answers:
        connection.give(*[b"\x40\x02" + published(packet)[1].to_bytes(2) for packet in connection.of_kind(PUBLISH)])
    station.link.poll(0)
    return station, connection


def empty_the_inbox(station: Station) -> None:
    while (message := station.link.take()) is not None:
        station.link.acknowledge(message[2])


def test_acknowledgements_behind_messages_that_do_not_fit_make_room_before_the_link_parts() -> None:
    station, connection = flooded(answers=True)
    assert connection.closed_ms is None
    assert station.link.outbox.takes_answers()
    assert station.link.room() == 0  # and for nothing that would be sent twice
    assert len(station.link.inbox) == 4
    station.link.publish("reply", b"to the first of them")
    empty_the_inbox(station)
    station.run(100)
    assert connection.closed_ms is None
    answered = 4
    while station.link.outbox.kept:
        under_way = connection.of_kind(PUBLISH)[answered:]
        answered += len(under_way)
        connection.give(*[b"\x40\x02" + published(packet)[1].to_bytes(2) for packet in under_way])
        station.link.poll(0)
    assert answered == 13
    station.network.answers = ALL
    station.run(1000, lambda: len(station.network.connections) == 2)
    station.come_up()
    assert payloads(station.network.last) == []  # nothing is sent again


def test_a_broker_that_acknowledges_nothing_is_left_after_ten_seconds() -> None:
    station, connection = flooded(answers=False)
    empty_the_inbox(station)
    began_ms = station.network.now_ms
    station.run(60_000, lambda: len(station.network.connections) == 2)
    assert 9_000 <= station.network.now_ms - began_ms <= 11_000
    assert connection.acknowledged() == [20, 21, 22, 23]


def answering(station: Station) -> Any:
    """What hands the link's messages to a logic that answers each with its own payload."""
    seam = load_firmware("runner").Seam(MagicMock())
    logic = MagicMock()
    logic.on_message = lambda tail, payload: seam.publish("reply", b"".join(payload))
    seam.connect(station.link, logic)
    return seam


def test_doses_that_wait_for_the_broker_keep_no_command_waiting() -> None:
    station = up()
    station.network.answers = frozenset()
    for number in range(4):
        station.link.publish("dose", b"%d" % number)
    station.link.poll(0)
    connection = station.network.last
    connection.give(*[down("command", b"%d" % number, 20 + number) for number in range(8)])
    seam = answering(station)
    for _ in range(10):
        station.link.poll(0)
        seam.hand_over()
    assert connection.acknowledged() == list(range(20, 28))
    assert not station.link.renew  # so that no dose is offered anew
    assert station.link.room() == 0  # nor another dose before the answers
    connection.give(*[b"\x40\x02" + published(packet)[1].to_bytes(2) for packet in connection.of_kind(PUBLISH)])
    station.link.poll(0)
    assert [payload for _, payload, _ in payloads(connection)[4:]] == [b"0", b"1", b"2", b"3"]


@pytest.mark.parametrize("connected", [True, False])
def test_a_command_waits_until_there_is_room_for_its_answer(connected: bool) -> None:
    station, connection = flooded(answers=False)
    if not connected:
        connection.broken = True
        station.link.poll(10)
        assert not station.link.up
    seam = answering(station)
    seam.hand_over()
    assert [payload for _, payload in station.arrived()] == [b"0", b"1", b"2", b"3"]
    station.network.answers = ALL
    station.link.outbox.kept.clear()
    seam.hand_over()
    assert station.arrived() == []
    assert [bytes(kept.packet[-1:]) for kept in station.link.outbox.kept] == [b"0", b"1", b"2", b"3"]


def test_pump_never_makes_a_connection_nor_finishes_one() -> None:
    station = Station()
    for _ in range(20):
        station.link.pump()
        station.network.now_ms += 1000
    assert station.network.connections == []
    station.network.answers = frozenset()
    station.link.poll(10)
    station.network.last.give(CONNACK_BYTES)
    station.link.pump()
    assert station.network.last.of_kind(SUBSCRIBE) == []


def test_pump_keeps_the_connection_alive() -> None:
    station = up()
    for _ in range(65):
        station.network.now_ms += 1000
        station.link.pump()
    assert 5 <= len(station.network.last.of_kind(PINGREQ)) <= 6
    assert station.link.up


# What breaks


@pytest.mark.parametrize(
    ("code", "says"),
    [(1, "3.1.1"), (2, "identifier"), (3, "unavailable"), (4, "user name or password"), (5, "authori")],
)
def test_a_refusal_is_told_in_words_and_tried_again(code: int, says: str) -> None:
    station = Station()  # table 3.1
    station.network.answers = frozenset()
    station.link.poll(10)
    station.network.last.give(bytes([0x20, 2, 0, code]))
    station.run(1000, lambda: len(station.network.connections) > 1)
    ((fault, detail),) = station.faults
    assert fault == "link_refused"
    assert says in detail
    assert station.told == []


def test_a_refused_subscription_is_told() -> None:
    station = Station()
    station.network.answers = frozenset({CONNECT})
    station.link.poll(10)
    station.network.last.give(b"\x90\x07\x00\x01\x01\x80\x01\x00\x01")
    station.link.poll(0)
    assert station.faults == [("link_refused", "not allowed to read tareline/f1/down/hold")]
    assert station.network.last.closed_ms is not None


BEFORE_CONNACK = {
    "a PINGRESP": PINGRESP_BYTES,
    "a message": down("hold", b"h", 1),
    "CONNACK too long": b"\x20\x03\x00\x00\x00",
    "CONNACK with reserved flags": b"\x20\x02\x02\x00",
    "CONNACK with a reserved code": b"\x20\x02\x00\x06",
    "CONNACK with session and refusal": b"\x20\x02\x01\x05",
    "a server of another protocol": b"HTTP/1.1 400 Bad Request\r\n\r\n",
    "a server that speaks first": b"220 post office ready, but it speaks another protocol than you do\r\n",
}
ONCE_UP = {
    "a second CONNACK": CONNACK_BYTES,
    "CONNECT": b"\x10\x00",
    "PUBREC": b"\x50\x02\x00\x01",
    "PUBREL": b"\x62\x02\x00\x01",
    "PUBCOMP": b"\x70\x02\x00\x01",
    "SUBSCRIBE": b"\x82\x02\x00\x01",
    "UNSUBACK": b"\xb0\x02\x00\x01",
    "PINGREQ": b"\xc0\x00",
    "DISCONNECT": b"\xe0\x00",
    "type 0": b"\x00\x00",
    "type 15": b"\xf0\x00",
    "PUBACK with flags": b"\x42\x02\x00\x01",
    "PUBACK of three bytes": b"\x40\x03\x00\x01\x00",
    "PUBACK of identifier 0": b"\x40\x02\x00\x00",
    "PINGRESP with flags": b"\xd1\x00",
    "PINGRESP with a body": b"\xd0\x01\x00",
    "SUBACK unasked": b"\x90\x07\x00\x01\x01\x01\x01\x00\x01",
    "SUBACK without an identifier": b"\x90\x00",
    "an answer of 300 bytes": b"\x90\xac\x02",
    "QoS 2": down("hold", b"h", 1, first=0x34),
    "QoS 3": down("hold", b"h", 1, first=0x36),
    "QoS 0 with DUP": down("hold", b"h", None, first=0x38),
    "identifier 0": down("hold", b"h", 0),
    "no identifier": b"\x32\x05\x00\x03a/b",
    "half an identifier": b"\x32\x06\x00\x03a/b\x01",
    "no topic": b"\x30\x00",
    "an empty topic": b"\x30\x02\x00\x00",
    "a topic beyond its packet": b"\x30\x04\x00\x09ab",
    "a topic with a wildcard": b"\x30\x05\x00\x03a/#",
    "a topic with U+0000": b"\x30\x05\x00\x03a\x00b",
    "a topic that is no UTF-8": b"\x30\x04\x00\x02\xc3\x28",
    "a topic longer than any buffer": b"\x30\x82\x80\x04\xff\xff" + b"a" * 65536,
    "a remaining length of five bytes": b"\x30\xff\xff\xff\xff\x01",
}


@pytest.mark.parametrize("name", BEFORE_CONNACK)
def test_nothing_but_a_connack_may_come_first(name: str) -> None:
    station = Station()  # [MQTT-3.2.0-1]
    station.network.answers = frozenset()
    station.link.poll(10)
    station.network.last.give(BEFORE_CONNACK[name])
    station.link.poll(0)
    assert [code for code, _ in station.faults] == ["protocol_error"]
    assert station.network.last.closed_ms is not None


@pytest.mark.parametrize("name", ONCE_UP)
def test_what_a_client_must_not_get_ends_the_connection_and_is_told(name: str) -> None:
    station = up()  # [MQTT-4.8.0-1]
    connection = station.network.last
    connection.give(ONCE_UP[name])
    station.run(100, lambda: connection.closed_ms is not None)
    assert [code for code, _ in station.faults] == ["protocol_error"]
    assert station.told == ["up", "down"]
    assert station.link.inbox == []


def test_a_certificate_that_is_not_accepted_is_told() -> None:
    station = Station()

    def refuse() -> None:
        raise sockets.TlsRefusedError("expired")

    station.network.on_open = refuse
    station.link.poll(0)
    assert station.faults == [("tls_refused", "expired")]


def test_a_name_that_cannot_be_resolved_is_tried_again_in_silence() -> None:
    station = Station()

    def fail(error: Exception) -> None:
        raise error

    station.network.on_open = lambda: fail(OSError(-2, "unknown name"))
    station.run(5000)
    station.network.on_open = lambda: fail(UnicodeError("no name at all"))
    station.run(5000)
    assert len(station.network.connections) > 4
    assert station.faults == []


# Time


def test_idle_it_pings_and_stays() -> None:
    station = up()
    station.run(105_000)
    assert len(station.network.last.of_kind(PINGREQ)) == 10
    assert len(station.network.connections) == 1


@pytest.mark.parametrize("start_ms", [0, PERIOD - 5000, PERIOD - 15000, 40 * PERIOD - 1])
def test_half_open_is_recognised_after_twenty_seconds_of_silence_also_over_the_wrap(start_ms: int) -> None:
    station = Station(start_ms).come_up()
    station.network.answers = frozenset()
    connection = station.network.last
    station.run(60_000, lambda: connection.closed_ms is not None)
    assert connection.closed_ms is not None
    assert 20_000 <= connection.closed_ms - start_ms <= 20_400
    assert station.told == ["up", "down"]


def test_half_open_is_recognised_though_the_device_goes_on_sending() -> None:
    station = up()
    station.network.answers = frozenset()
    connection = station.network.last
    for _ in range(30):
        station.link.publish("hello", b"x", True)
        station.run(1000)
    assert connection.closed_ms is not None
    assert connection.closed_ms <= 20_400


def test_a_device_that_only_listens_is_heard_within_its_keep_alive() -> None:
    station = up()  # [MQTT-3.1.2-23]
    for _ in range(20):
        station.run(3000)
        station.network.last.give(down("time", b"t"))
        station.link.poll(0)
        station.link.take()
    assert len(station.network.last.of_kind(PINGREQ)) >= 3


def test_an_owner_that_was_away_reads_before_it_judges() -> None:
    station = up()
    station.run(11_000, lambda: station.network.last.of_kind(PINGREQ))
    station.network.now_ms += 60_000
    station.link.poll(0)
    assert station.link.up


@pytest.mark.parametrize("accepts", [True, False])
def test_a_connection_that_is_not_answered_is_given_up_after_ten_seconds(accepts: bool) -> None:
    station = Station()
    station.network.accepts = accepts
    station.network.answers = frozenset()
    station.run(15_000, lambda: len(station.network.connections) > 1)
    closed = station.network.connections[0].closed_ms
    assert closed is not None
    assert 10_000 <= closed <= 10_200
    assert station.told == []


def gaps(station: Station, count: int) -> list[int]:
    """Milliseconds from each end of a connection to the next beginning."""
    station.run(10_000_000, lambda: len(station.network.connections) > count)
    made = station.network.connections
    return [later.opened_ms - (earlier.closed_ms or 0) for earlier, later in pairwise(made)]


def test_pauses_double_from_200_ms_to_30_s_each_shortened_by_up_to_half() -> None:
    station = Station()
    station.network.on_open = lambda: setattr(station.network.last, "broken", True)
    waited = gaps(station, 14)
    for number, gap in enumerate(waited):
        longest = min(200 * 2**number, 30_000)
        assert longest // 2 <= gap <= longest
    assert len(set(waited[8:])) > 1


def more_connections(network: Network, than: int) -> bool:
    return len(network.connections) > than


def test_only_a_connection_that_has_lasted_makes_the_next_pause_short() -> None:
    station = Station()
    for lasted_ms, expected in ((0, 200), (100, 400), (100, 800), (11_000, 200), (100, 400)):
        station.run(60_000, lambda: station.link.up)
        station.run(lasted_ms)
        station.network.last.broken = True
        station.link.poll(10)
        lost_ms = station.network.last.closed_ms
        station.run(60_000, partial(more_connections, station.network, len(station.network.connections)))
        assert expected // 2 <= station.network.last.opened_ms - (lost_ms or 0) <= expected


def test_poll_never_spends_more_than_it_was_given() -> None:
    station = Station()
    station.network.accepts = False
    for wait_ms in (0, 1, 7, 50, 1000):
        before = station.network.now_ms
        station.link.poll(wait_ms)
        assert station.network.now_ms - before <= max(wait_ms, 0)


# The end


def test_close_says_offline_waits_for_the_puback_and_parts() -> None:
    station = up()
    station.link.publish("dose", b"d")
    station.link.close()
    connection = station.network.connections[0]
    assert payloads(connection) == [("dose", b"d", False), ("status", b'{"online": false}', False)]
    assert connection.of_kind(PUBLISH)[1][0] & 1
    assert kind(connection.sent[-1]) == DISCONNECT
    assert connection.closed_ms is not None


def test_close_without_an_answer_takes_two_seconds_and_leaves_the_word_to_the_last_will() -> None:
    station = up()
    station.network.answers = frozenset()
    station.link.close()
    connection = station.network.connections[0]
    assert connection.of_kind(DISCONNECT) == []
    assert connection.closed_ms is not None
    assert 2000 <= connection.closed_ms <= 2100


# Rubbish

PACKETS = st.sampled_from(
    [
        *ONCE_UP.values(),
        down("hold", b"h" * 50, 1),
        down("plan", b"p" * 9000, 2),
        down("time", b"t"),
        b"\x40\x02\x00\x01",
        PINGRESP_BYTES,
    ]
)


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """A packet with a byte changed, added or taken away."""
    packet = bytearray(draw(PACKETS))
    at = draw(st.integers(0, len(packet) - 1))
    packet[at : at + draw(st.integers(0, 1))] = draw(st.binary(max_size=2))
    return bytes(packet)


@given(st.lists(st.one_of(st.binary(max_size=60), mutated(), PACKETS), max_size=12), st.booleans(), st.booleans())
def test_rubbish_never_raises_never_grows_and_never_ends_it(parts: list[bytes], begun: bool, busy: bool) -> None:
    station = up() if begun else Station()
    if not begun:
        station.network.answers = frozenset()
        station.link.poll(10)
    size = len(station.link._reader.body)
    for part in parts:
        station.network.last.give(part)
        if busy:
            station.link.pump()
        station.link.poll(10)
        assert len(station.link.inbox) <= 8
        assert sum(len(payload) for _, payload in station.arrived()) <= 18432
        assert len(station.link._reader.body) == size
        assert len(station.link._control) <= 64 + len(parts)
    station.network.answers = frozenset({CONNECT, SUBSCRIBE, PUBLISH, PINGREQ})
    while station.link.take():
        pass
    station.network.last.broken = True
    station.run(60_000, lambda: len(station.network.connections) > 1)
    station.run(90_000, lambda: station.link.up and not station.network.last.waiting)
    assert station.link.up
