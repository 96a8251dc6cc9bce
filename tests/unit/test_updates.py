"""Updates over the air on the service's side: the key, the set, the offer, the pieces, and what is refused."""

import asyncio
import hashlib
import json
import threading
from pathlib import Path
from typing import Any

import httpx
import portable_update as portable
import pytest
from house import FEEDER, MINUTE_MS, NOON_MS, House

from present import present
from tareline.app import updates
from tareline.boards.keys import device_key
from tareline.errors import FieldError
from tareline.resources import firmware_dir, load_firmware
from tareline.web.app import make_app
from tareline.web.events import Hub

update = load_firmware("update")


@pytest.fixture
def house_settings(tmp_path: Path) -> dict[str, Any]:
    return {"updates": {"secret_file": str(tmp_path / "secret.key")}}


@pytest.fixture
def house(house: House) -> House:
    house.hear(house.online(), house.hello())
    return house


def says(house: House, **fields: Any) -> None:
    """The feeder tells where it is."""
    body = {"program": "board_feeder", "mpy": 0, "counter": 0, "state": "idle", "detail": ""}
    house.hear(house.message("update", body | fields, retained=True))


def asks(house: House, name: str, at: int = 0, size: int = 720, **fields: Any) -> list[dict[str, Any]]:
    """What the feeder is sent for a piece that it asks for."""
    house.sent.clear()
    body = {"counter": offered(house)["counter"], "file": name, "at": at, "size": size}
    house.hear(house.message("fetch", body | fields))
    assert all(down.qos == 0 and not down.retain for down in house.sent if down.topic.endswith("/piece"))
    return house.told("piece")


def offered(house: House) -> dict[str, Any]:
    (body,) = [one.body for (name, topic), one in _issued(house).items() if (name, topic) == (FEEDER, "update")]
    return body


def _issued(house: House) -> Any:
    from tareline.store.devices import issued

    with house.service.context.store.read() as tx:
        return issued(tx)


def fetched(house: House, name: str, size: int) -> bytes:
    found = b""
    for at in range(0, size, 720):
        (piece,) = asks(house, name, at, min(720, size - at))
        assert (piece["file"], piece["at"]) == (name, at)
        assert len(json.dumps(piece)) < 1200
        found += b"".join(portable.binascii.a2b_base64(part) for part in piece["data"])
    return found


def test_a_device_can_fetch_and_verify_all_that_it_is_offered(house: House, tmp_path: Path) -> None:
    says(house)
    answer = house.service.updates.offer(FEEDER)
    assert answer.state == "offered"
    (sent,) = house.told("update")
    assert sent == offered(house)
    assert sent["counter"] >= NOON_MS
    key = bytes.fromhex(device_key(tmp_path / "secret.key", FEEDER))
    assert sent["mac"] == update.hmac_sha256(key, update.signed_bytes(FEEDER, sent)).hex()
    listed = fetched(house, updates.LIST, sent["size"])
    assert hashlib.sha256(listed).hexdigest() == sent["sha256"]
    names = []
    for line in listed.decode().splitlines():
        name, size, digest = line.split(" ")
        names.append(name.removesuffix(".py"))
        assert fetched(house, name, int(size)) == (firmware_dir() / name).read_bytes()
        assert hashlib.sha256((firmware_dir() / name).read_bytes()).hexdigest() == digest
    assert {"board_feeder", "feeder", "update", "install", "runner", "link"} <= set(names)
    assert "starter" not in names
    assert not [name for name in names if name.startswith(("desk", "board_probe"))]


def test_progress_and_result_are_shown_and_kept(house: House) -> None:
    assert house.service.updates.view(FEEDER).state == "none"
    says(house)
    house.service.updates.offer(FEEDER, "ada")
    counter = offered(house)["counter"]
    says(house, counter=counter, state="fetching")
    asks(house, updates.LIST, 0)
    view = house.service.updates.view(FEEDER)
    assert (view.state, view.done_bytes) == ("fetching", 0)
    asks(house, "button.py", 720)
    view = house.service.updates.view(FEEDER)
    assert 720 < view.done_bytes < present(view.total_bytes)
    for state in ("ready", "trial", "done"):
        says(house, counter=counter, state=state)
        assert house.service.updates.view(FEEDER).state == state
        assert house.service.updates.view(FEEDER).done_bytes == view.total_bytes
    says(house, counter=counter, state="failed", detail="it crashed")
    assert house.service.updates.view(FEEDER).detail == "it crashed"
    (device,) = house.service.devices.all()
    assert device.update.state == "failed"
    entries = [e for e in house.ledger() if e.kind == "device" and e.own.get("event") == "update"]
    assert [(e.by, e.firmware) for e in entries] == [("ada", view.firmware)]
    # After a restart of the service the offer stands; what the device says is retained by the broker.
    house.restart()
    assert house.service.updates.view(FEEDER).state == "offered"
    assert house.told("update")[-1] == offered(house)


def test_what_cannot_be_offered_is_refused_with_the_reason(house: House) -> None:
    with pytest.raises(FieldError, match="there is no device"):
        house.service.updates.offer("nobody")
    with pytest.raises(FieldError, match="has not said yet"):
        house.service.updates.offer(FEEDER)
    says(house, program=None)
    with pytest.raises(FieldError, match="takes no updates"):
        house.service.updates.offer(FEEDER)
    says(house, program="washing_machine")
    with pytest.raises(FieldError, match="no firmware 'washing_machine'"):
        house.service.updates.offer(FEEDER)
    says(house, mpy=5)
    with pytest.raises(FieldError, match="loads modules of version 5"):
        house.service.updates.offer(FEEDER)
    assert house.told("update") == []


def test_what_runs_already_is_not_offered_again_but_what_failed_may_be(house: House) -> None:
    says(house)
    house.service.updates.offer(FEEDER)
    counter = offered(house)["counter"]
    for state in ("trial", "done"):
        says(house, counter=counter, state=state)
        with pytest.raises(FieldError, match="already"):
            house.service.updates.offer(FEEDER)
    says(house, counter=counter, state="failed")
    house.service.updates.offer(FEEDER)
    assert offered(house)["counter"] > counter


def test_the_counter_never_falls_below_what_the_device_has_tried(house: House) -> None:
    """Another service may have offered something, or this one's books were put back to an older state."""
    says(house, counter=NOON_MS + 1_000_000_000)
    house.service.updates.offer(FEEDER)
    assert offered(house)["counter"] == NOON_MS + 1_000_000_001


def test_a_piece_of_another_offer_or_of_no_file_is_not_sent(house: House) -> None:
    says(house)
    house.service.updates.offer(FEEDER)
    assert asks(house, updates.LIST, counter=1) == []
    assert asks(house, "../settings.json") == []
    assert asks(house, "link.py", 1 << 19) == []
    for wrong in ({"size": 0}, {"size": 1025}, {"at": -1}, {"file": ""}, {"counter": "x"}):
        house.sent.clear()
        asked = {"counter": offered(house)["counter"], "file": updates.LIST, "at": 0, "size": 1}
        house.hear(house.message("fetch", asked | wrong))
        assert house.told("piece") == []
    assert len(house.rejects()) == 5
    assert house.broken == []


def built() -> None:
    """Wait for what the service builds beside."""
    for thread in threading.enumerate():
        if thread.name == "build":
            thread.join(60)


def test_after_a_restart_the_set_is_built_anew_and_the_fetching_goes_on(house: House) -> None:
    says(house)
    house.service.updates.offer(FEEDER)
    before = fetched(house, "link.py", 1440)
    offer = offered(house)
    house.restart()
    says(house, counter=offer["counter"], state="fetching")
    assert asks(house, "link.py") == []
    built()
    assert offered(house) == offer
    assert fetched(house, "link.py", 1440) == before


def test_where_the_package_has_become_another_the_device_is_offered_that_one(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    says(house)
    house.service.updates.offer(FEEDER)
    offer = offered(house)
    house.restart()
    says(house, counter=offer["counter"], state="fetching")
    source = updates._source
    monkeypatch.setattr(updates, "_source", lambda name: source(name) + b"# another\n")
    house.clock.advance(MINUTE_MS)
    assert asks(house, "link.py") == []
    built()
    assert offered(house)["counter"] > offer["counter"]
    assert offered(house)["sha256"] != offer["sha256"]


def test_a_set_for_a_board_is_compiled_and_small_enough_for_it() -> None:
    for program in ("board_feeder", "board_probe", "desk_feeder"):
        made = updates.build(program, 6)
        assert made.files[f"{program}.mpy"][:2] == b"M\x06"
        assert made.files[updates.LIST] == next(iter(made.files.values()))
        assert made.size < 128 * 1024
        for line in made.files[updates.LIST].splitlines():
            assert load_firmware("install").read_line(line)
        again = updates.build(program, 6)
        assert again == made
    with_manifest = {name: [len(data), 2**32 - 1] for name, data in updates.build("board_feeder", 6).files.items()}
    assert len(json.dumps(with_manifest)) < 2000  # a board reads and writes it in one piece


def test_the_secret_is_made_once_and_kept_from_others(tmp_path: Path) -> None:
    path = tmp_path / "s.key"
    one = device_key(path, "feeder-1")
    assert len(bytes.fromhex(one)) == 32
    assert path.stat().st_mode & 0o777 == 0o600
    assert device_key(path, "feeder-1") == one
    assert device_key(path, "feeder-2") != one
    assert device_key(tmp_path / "other.key", "feeder-1") != one
    assert sorted(p.name for p in tmp_path.iterdir()) == ["other.key", "s.key"]
    path.chmod(0o640)
    with pytest.raises(FieldError, match="chmod 600"):
        device_key(path, "feeder-1")
    path.chmod(0o600)
    for text in ("", "abc", "zz" * 32, "00" * 31):
        path.write_text(text)
        with pytest.raises(FieldError, match="64 hexadecimal digits"):
            device_key(path, "feeder-1")
    with pytest.raises(FieldError, match="cannot be used"):
        device_key(tmp_path / "no" / "such.key", "feeder-1")


def test_the_calls_offer_and_show(house: House) -> None:
    says(house)

    async def talk() -> list[httpx.Response]:
        transport = httpx.ASGITransport(app=make_app(house.service, Hub()))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            path = f"/api/v1/devices/{FEEDER}/update"
            return [
                await client.get(path),
                await client.post(path),
                await client.post(path, json={"by": "ada"}),
                await client.get("/api/v1/devices/nobody/update"),
                await client.get("/api/v1/devices"),
                await client.get("/devices"),
            ]

    first, made, again, nobody, devices, page = asyncio.run(talk())
    assert (first.status_code, first.json()["state"]) == (200, "none")
    assert (made.status_code, made.json()["state"]) == (201, "offered")
    assert again.status_code == 201
    assert nobody.status_code == 404
    assert devices.json()[0]["update"]["firmware"] == made.json()["firmware"]
    assert f"{made.json()['firmware']} offered" in " ".join(page.text.split())


def test_states_that_no_device_has_are_set_aside(house: House) -> None:
    for body in ({}, {"mpy": 6, "counter": 1, "state": "flying"}, {"mpy": "6", "counter": 1, "state": "done"}):
        house.hear(house.message("update", body))
    assert len(house.rejects()) == 3
