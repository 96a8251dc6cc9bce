"""When a board serves its set-up page, and how: its own network for ten minutes after a long press at power-up.

Only a power-up counts: the restarts after it do not look at the button, so that one that is stuck costs ten minutes of
feeding after each power cut and no more.
"""

HELD_MS = 3000
LOOK_MS = 10
SERVED_MS = 10 * 60000
PORT = 80


def name_of(settings):
    """The name of the board's own network."""
    return ("tareline-" + settings["device"]).encode()[:32].decode()


def held(pin, time):
    """Whether the button (low when pressed) stays down from now on for HELD_MS; False as soon as it is up."""
    began = time.ticks_ms()
    while time.ticks_diff(time.ticks_ms(), began) < HELD_MS:
        if pin.value():
            return False
        time.sleep_ms(LOOK_MS)
    return True


def wanted(settings, machine, time):
    """Whether somebody holds the button while this board gets its power."""
    number = settings["pins"].get("button")
    if number is None or machine.reset_cause() != machine.PWRON_RESET or not settings.get("setup_password"):
        return False
    return held(machine.Pin(number, machine.Pin.IN, machine.Pin.PULL_UP), time)


def run(settings, flash, network, time, feed):
    """Open the network, serve the page until something is saved or the time is over, close the network. The board must
    be restarted after it. flash: where settings.json is kept; feed: the watchdog's."""
    from setup_page import SetupPage, listen
    from setup_settings import save

    network.WLAN(network.STA_IF).active(False)
    point = network.WLAN(network.AP_IF)
    kind = network.WLAN
    # The RP2 has no name for WPA2 alone; what it has lets both sides choose WPA2.
    security = kind.SEC_WPA2 if hasattr(kind, "SEC_WPA2") else kind.SEC_WPA_WPA2
    point.config(ssid=name_of(settings), key=settings["setup_password"], security=security)
    point.active(True)
    listener = listen("0.0.0.0", PORT)
    try:
        return SetupPage(settings, lambda new: save(flash, new), time, feed).serve(listener, SERVED_MS)
    finally:
        listener.close()
        point.active(False)
