"""Doses against gaps, repetition and lost messages, through the real broker (contract: rules that both sides keep)."""

from conftest import Household


def test_a_dose_sent_three_times_is_one(common: Household) -> None:
    device = common.device()
    device.resends_at_connect = False
    body = device.dose()
    payload = device.kept.get(1)
    device.send("dose", body)
    if payload is not None:
        device.send_bytes("dose", payload)
    device.dose()
    device.wait_received(2)
    assert [e["seq"] for e in common.doses()] == [1, 2]
    assert common.rejects() == []


def test_a_gap_is_asked_for_and_filled(common: Household) -> None:
    device = common.device()
    device.dose()
    device.wait_received(1)  # connected for good: what is not sent now is not sent at a connect either
    device.dose(send=False)
    device.dose(send=False)
    device.dose()
    device.wait_received(4)
    asked = [c for c in device.heard("command") if c["do"] == "resend"]
    assert [(c["args"]["from"], c["args"]["to"]) for c in asked] == [(2, 3)]
    assert asked[0]["expires_at_ms"] is None
    assert [e["seq"] for e in common.doses()] == [1, 2, 3, 4]
    assert common.ledger("gap") == []


def test_received_stays_below_a_gap_until_it_is_filled(common: Household) -> None:
    device = common.device()
    device.on_resend = "ignore"
    device.dose()
    device.wait_received(1)
    device.dose(send=False)
    device.dose()
    device.wait(lambda: device.heard("command"), "the first request")
    assert max(r["seq"] for r in device.heard("received")) == 1
    device.send_bytes("dose", device.kept[2])
    device.wait_received(3)


def test_a_refused_resend_is_given_up_loudly_and_a_dose_that_comes_after_all_is_kept(common: Household) -> None:
    device = common.device()
    device.on_resend = "refuse"
    device.dose()
    device.wait_received(1)
    lost = device.dose(send=False)
    device.dose()
    device.wait_received(3)
    gap = common.ledger("gap")
    assert [(e["from"], e["to"], e["feeder"]) for e in gap] == [(2, 2, common.feeder)]
    assert "refused" in gap[0]["why"]
    today = common.get(f"/tanks/{common.tank}/days")[0]
    assert "lost doses" in today["flags"]
    device.send("dose", lost)
    common.until(lambda: [e["seq"] for e in common.doses()] == [1, 2, 3])
    standing = [e for e in common.ledger("gap") if not e["corrected_by"] and not e["void"]]
    assert standing == []
    assert "lost doses" not in common.get(f"/tanks/{common.tank}/days")[0]["flags"]


def test_doses_that_the_device_no_longer_holds_are_given_up_at_its_hello(common: Household) -> None:
    device = common.device()
    device.dose()
    device.wait_received(1)
    device.say_hello(journal_from=5, journal_to=6)
    device.wait_received(4)
    assert [(e["from"], e["to"]) for e in common.ledger("gap")] == [(2, 4)]


def test_a_journal_renewed_after_a_format_begins_at_one_again(common: Household) -> None:
    device = common.device()
    device.dose()
    device.wait_received(1)
    device.vanish()
    device.journal, device.seq, device.received = "journal-after-format", 0, 0
    device.connect().wait_connected()
    device.dose()
    device.wait_received(1)
    assert len(common.doses()) == 2
    assert {e["journal"] for e in common.doses()} == {device.sent[1]["journal"], common.doses()[0]["journal"]}


def test_the_same_number_with_another_content_is_refused_and_the_first_stays(common: Household) -> None:
    device = common.device()
    first = device.dose()
    device.wait_received(1)
    device.send("dose", {**first, "target_g": 9.0})
    reject = common.until(common.rejects)
    assert "target_g" in reject[0]["reason"]
    assert [e["target_g"] for e in common.doses()] == [first["target_g"]]


def test_a_device_that_lost_power_sends_what_was_not_received_again(household: Household) -> None:
    device = household.device()
    device.dose()
    device.wait_received(1)
    household.service.kill()
    device.dose()
    device.dose()
    device.power_cut()
    device.wait_connected()
    household.service.start()
    device.wait_received(3)
    assert [e["seq"] for e in household.doses()] == [1, 2, 3]
    assert household.rejects() == []
