"""What is kept in memory of devices, so that a batch need not read it from the store."""

from tareline.app.context import Context
from tareline.mqtt.journals import Track
from tareline.mqtt.timestamps import Boots
from tareline.store import devices as device_store
from tareline.store import ledger
from tareline.store.devices import Device

GAPS = 1000  # entries of doses that were given up, read of one device at the most


class DeviceStates:
    """What devices last said of themselves, how far their journals were received, and when their boots began.

    devices: by name. tracks: by device and name of the journal. Changed by the link's thread only.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self.load()

    def load(self) -> None:
        """Read all of it from the store, in place of what was in memory."""
        with self._context.store.read() as tx:
            self.devices = device_store.load(tx)
            self.boots = Boots(device_store.load_boots(tx))
            self.tracks: dict[tuple[str, str], Track] = {}
            for (device, journal), received in device_store.load_journals(tx).items():
                above = ledger.seqs_above(tx, device, journal, received)
                for gap in ledger.newest(tx, "gap", device=device, limit=GAPS):
                    if gap.body["journal"] == journal:
                        above.update(range(max(gap.body["from"], received + 1), gap.body["to"] + 1))
                self.tracks[device, journal] = Track(received, above)

    def known(self, device: str) -> Device:
        """What is known of a device; nothing yet of one that has said nothing."""
        return self.devices.get(device, Device(device))

    def track(self, device: str, journal: str) -> Track:
        """How far a journal was received; one that is new begins here."""
        return self.tracks.setdefault((device, journal), Track())
