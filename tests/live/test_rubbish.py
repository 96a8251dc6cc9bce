"""What cannot be understood is stored with its reason, counted, shown and acknowledged; nothing else is touched."""

import json
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conftest import Household

DEEP = b'{"seq":' + b"[" * 50_000 + b"]" * 50_000 + b"}"


def changed(field: str, value: Any) -> Any:
    return lambda body: json.dumps({**body, field: value}).encode()


# Each: the tail of the topic, how the payload is made from a good dose, a word of the reason.
RUBBISH: dict[str, tuple[str, Any, str | None]] = {
    "no JSON": ("dose", lambda _: b"hello there", "JSON"),
    "nothing at all": ("dose", lambda _: b"", "JSON"),
    "wrong UTF-8": ("dose", lambda body: json.dumps(body).encode().replace(b'"ok"', b'"\xff\xfe"'), ""),
    "deeply nested": ("dose", lambda _: DEEP, ""),
    "200 KiB": ("dose", lambda body: json.dumps({**body, "filler": "x" * 200 * 1024}).encode(), "bytes"),
    "a list": ("dose", lambda body: json.dumps([body]).encode(), ""),
    "1e308 grams": ("dose", changed("target_g", 1e308), "target_g"),
    "NaN": ("dose", lambda body: json.dumps({**body, "before_g": float("nan")}).encode(), "before_g"),
    "infinity": ("dose", lambda body: json.dumps({**body, "sd_g": float("inf")}).encode(), "sd_g"),
    "a number beyond a float": (
        "dose",
        lambda body: json.dumps({**body, "x": 0}).replace("0}", "1e999}").encode(),
        None,
    ),
    "negative mass": ("dose", changed("target_g", -0.5), "target_g"),
    "a hopper below nothing": ("dose", changed("after_g", -400_000.0), "after_g"),
    "a date in 2199": ("dose", changed("at_ms", 7_226_582_400_000), "at_ms"),
    "tomorrow and a day": ("dose", lambda b: json.dumps({**b, "at_ms": b["at_ms"] + 3 * 86_400_000}).encode(), "at_ms"),
    "a time before there were boards": ("dose", changed("at_ms", 0), "at_ms"),
    "a time as a float": ("dose", lambda b: json.dumps({**b, "at_ms": b["at_ms"] + 0.5}).encode(), "at_ms"),
    "seconds as text": ("dose", lambda b: json.dumps({**b, "at_ms": str(b["at_ms"])}).encode(), "at_ms"),
    "steps as text": ("dose", changed("steps", "100"), "steps"),
    "an unknown outcome": ("dose", changed("outcome", "splendid"), "outcome"),
    "an unknown cause": ("dose", changed("cause", "cat"), "cause"),
    "half a weighing": ("dose", changed("after_g", None), "after_g"),
    "a number of zero": ("dose", changed("seq", 0), "seq"),
    "a status that is no truth value": ("status", lambda _: b'{"online": "yes"}', "online"),
    "a hello of no kind": ("hello", lambda _: b'{"boot":"b","uptime_ms":1,"board":"x","kind":"cat"}', "kind"),
    "an applied of floats": ("applied", lambda _: b'{"boot":"b","plan_version":1.5,"hold_version":0}', "plan_version"),
    "a weight of text": ("weight", lambda _: b'{"boot":"b","uptime_ms":1,"mass_g":"1","sd_g":0}', "mass_g"),
    "a pack that is no list": ("samples", lambda _: b'{"n":"temperature"}', ""),
    "a pack of another unit": ("samples", lambda _: b'[{"n":"temperature","u":"K","v":297}]', "Cel"),
    "a pack of an impossible time": ("samples", lambda _: b'[{"n":"temperature","u":"Cel","v":24,"t":1e308}]', "t:"),
    "a pack of a sum of impossible times": (
        "samples", lambda _: b'[{"bt":1e308,"n":"temperature","u":"Cel","v":24,"t":1e308}]', "t:"
    ),
    "a pack beyond all numbers": ("samples", lambda _: b'[{"bv":1e308,"n":"temperature","u":"Cel","v":1e308}]', "v:"),
    "a fault without a code": ("fault", lambda _: b'{"boot":"b","uptime_ms":1}', "code"),
    "a reply to nobody": ("reply", lambda _: b'{"ok":true}', "id"),
    "a topic of our imagination": ("gossip", lambda _: b"{}", "topic"),
    "a deeper topic": ("dose/again", lambda _: b"{}", "topic"),
}  # fmt: skip


@pytest.mark.parametrize("what", RUBBISH)
def test_rubbish_in_a_burst_of_good_messages(common: Household, what: str) -> None:
    """Good doses before and after, in one burst; the rubbish is one reject, the doses are all there."""
    tail, make, word = RUBBISH[what]
    device = common.device()
    device.on_resend = "ignore"
    before = common.metric("tareline_messages_total", what="reject")
    good = device.dose_body()
    payload = make({**good, "seq": 4})
    device.dose(seq=1)
    device.dose(seq=2)
    device.send_bytes(tail, payload)
    device.dose(seq=3)
    device.seq = 3
    device.wait_received(3)
    common.until(lambda: (common.rejects() or word is None) and len(common.doses()) >= 3)
    known = [e for e in common.doses() if e["outcome"] != "unknown"]
    assert [e["seq"] for e in known if e["seq"] <= 3] == [1, 2, 3]
    if word is None:  # an unknown field may hold anything that JSON can say
        return
    reject = common.rejects()
    assert len(reject) == 1
    assert reject[0]["count"] == 1
    assert reject[0]["size"] == len(payload)
    assert reject[0]["topic"] == f"tareline/{common.feeder}/up/{tail}"
    assert word in reject[0]["reason"]
    assert "internal error" not in reject[0]["reason"]
    assert common.metric("tareline_messages_total", what="reject") == before + 1


def test_the_same_rubbish_again_is_counted(common: Household) -> None:
    device = common.device()
    for _ in range(3):
        device.send_bytes("dose", b"rubbish")
    common.until(lambda: [r["count"] for r in common.rejects()] == [3])


@pytest.mark.parametrize(
    "spoil",
    [
        {"target_g": -1},
        {"outcome": "splendid"},
        {"at_ms": 7_226_582_400_000},
        {"boot": 12},
        {"journal": 12},
        {"before_g": 1e308},
        {"extra": "x" * 100_000},
    ],
    ids=lambda s: next(iter(s)),
)
def test_a_bad_dose_whose_number_can_be_read_is_a_dose_of_unknown_size(
    common: Household, spoil: dict[str, Any]
) -> None:
    """One bad message never blocks the journal: `received` passes it, and the day says that something is lost."""
    device = common.device()
    device.on_resend = "ignore"
    device.dose()
    device.wait_received(1)  # so that no connect comes later, which would send the good one
    bad = device.dose(send=False)
    device.send("dose", {**bad, **spoil})
    device.dose()
    device.wait_received(3)
    assert [(e["seq"], e["outcome"]) for e in sorted(common.doses(), key=lambda e: e["seq"])] == [
        (1, "ok"),
        (2, "unknown"),
        (3, "ok"),
    ]
    assert len(common.rejects()) == 1
    # A better message under the same number takes its place, and both stay readable.
    device.send("dose", bad)
    common.until(lambda: [e["outcome"] for e in common.doses()].count("ok") == 3)
    assert len(common.ledger("dose")) == 4


def test_unknown_devices_and_odd_topics_are_kept_and_acknowledged(common: Household) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, f"stranger-{common.number}", protocol=mqtt.MQTTv311)
    client.connect("127.0.0.1", common.broker.port)
    client.loop_start()
    topics = [
        f"tareline/stranger-{common.number}/up/dose",
        f"tareline/stranger-{common.number}/up",
        "tareline//up/dose",
    ]
    topics.append(f"tareline/strange é {common.number}/up/dose")
    for topic in topics:
        client.publish(topic, b'{"seq":1}', 1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()
    wanted = set(topics)
    common.until(lambda: wanted <= {r["topic"] for r in common.get("/rejects")})
    device = common.device()
    device.dose()
    device.wait_received(1)


def test_after_rubbish_nothing_waits_at_the_broker(household: Household) -> None:
    """Everything was acknowledged: a restarted service is sent none of it again."""
    device = household.device()
    device.resends_at_connect = False
    device.on_resend = "ignore"
    good = device.dose_body(seq=1)
    for _, (tail, make, _) in sorted(RUBBISH.items()):
        device.send_bytes(tail, make({**good, "seq": 90}))
    device.dose(seq=1)
    device.dose(seq=2)
    device.wait_received(2)
    counted = {r["id"]: r["count"] for r in household.rejects()}
    household.service.terminate()
    household.service.ended()
    household.service.start()
    device.dose(seq=3)
    device.wait_received(3)
    assert {r["id"]: r["count"] for r in household.rejects()} == counted
