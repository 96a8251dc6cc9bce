"""Another installation that sends plans under the same root: two plans for one feeder feed twice."""

import json
import logging

from sqlalchemy.exc import SQLAlchemyError

from tareline.app import holds
from tareline.app.context import Context
from tareline.app.projections.samples import Samples
from tareline.app.snapshot import Snapshots
from tareline.mqtt.messages import Message
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)


def hold_for_another(context: Context, samples: Samples, message: Message, root: str) -> list[str]:
    """Hold all tanks where a live plan comes from another installation, until a person has looked.

    message: a plan, as it was overheard on the broker. root: the first part of all topics. Returns the tanks that are
    newly held.
    """
    try:
        other = json.loads(message.payload)["installation"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return []
    if other == context.installation:
        return []
    text = f"another installation ({str(other)[:64]!r}) sends plans under {root}/"
    log.error("%s", text)
    held = []
    with context.write() as tx:
        snapshots = Snapshots(tx, context, samples)
        for tank in context.register.refs("tank"):
            try:
                reasons = snapshots.of(tank).holds.reasons
            except (StoreError, SQLAlchemyError):
                raise
            except Exception:
                log.exception("%s could not be held; the others are", tank)
                continue
            if not any(reason.kind == "installation" for reason in reasons):
                holds.hold(snapshots, tank, "installation", text)
                held.append(tank)
    return held
