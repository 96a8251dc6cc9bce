"""The set-up page as words: its HTML from the settings, and new settings from what was typed.

No secret is ever written into the page: a password's field is empty, and one that stays empty leaves the password as it
is. Nothing here knows a socket; texts are made piece by piece, each far below 2 KiB.
"""

LONGEST_NAME = 64  # bytes of a host, a user, a password
LONGEST_SSID = 32
MOST_CEILING_G = 1000
HEX = "0123456789abcdefABCDEF"

HEAD = (
    '<!doctype html><html lang="en"><head><meta charset="utf-8">'
    '<meta name="viewport" content="width=device-width, initial-scale=1"><title>%s</title><style>'
    ":root{color-scheme:light dark}body{font:1rem/1.5 system-ui,sans-serif;max-width:30rem;margin:0 auto;padding:1rem}"
    "h1{font-size:1.4rem}label{display:block;margin-top:1rem;font-weight:600}"
    "input{font:inherit;box-sizing:border-box;width:100%%;min-height:2.75rem;padding:.3rem .5rem}"
    "input[type=checkbox]{width:1.75rem;min-height:1.75rem;vertical-align:middle;margin:0 .5rem 0 0}"
    "button{font:inherit;min-height:2.75rem;padding:.3rem 1.5rem;margin-top:1.5rem}"
    "small{display:block}[role=alert]{border:2px solid;padding:.5rem}"
    "</style></head><body><main><h1>%s</h1>"
)
TAIL = "</main></body></html>"

FIELDS = (  # name, label, hint, secret
    ("ssid", "Network", "Its name; 2.4 GHz.", False),
    ("wifi_password", "Password of the network", "Leave it empty to keep the present one.", True),
    ("open", "The network has no password", "", False),
    ("broker", "Broker", "Such as mqtt://192.0.2.10:1883.", False),
    ("user", "User at the broker", "Empty for none.", False),
    ("password", "Password at the broker", "Leave it empty to keep the present one.", True),
    ("ceiling", "Most food in a day, in grams", "The board's own limit, above every plan.", False),
)


class FormError(Exception):
    """What was typed cannot be: `field`, and what was expected."""

    def __init__(self, field, text):
        super().__init__(text)
        self.field = field
        self.text = text


def fields_of(settings):
    """The fields that this kind of device has."""
    return [one for one in FIELDS if one[0] != "ceiling" or settings["kind"] == "feeder"]


def shown(settings):
    """What the fields show at first: {name: text}, without secrets."""
    host = settings["host"]
    if ":" in host:
        host = "[" + host + "]"
    found = {
        "ssid": settings["wifi"]["ssid"],
        "open": "" if settings["wifi"]["password"] else "on",
        "broker": "mqtt%s://%s:%d" % ("s" if settings["tls"] else "", host, settings["port"]),
        "user": settings["user"] or "",
    }
    if settings["kind"] == "feeder":
        found["ceiling"] = "%g" % settings.get("ceiling_g_per_day", 5)
    return found


def escaped(text):
    """Text for HTML, also inside of quotation marks."""
    for sign, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;"), ("'", "&#39;")):
        text = text.replace(sign, name)
    return text


def page(settings, values, problem=None):
    """Yields the page in pieces. values: {name: text} as shown or as typed; problem: a FormError to be told."""
    title = "Set-up of " + escaped(settings["device"])
    yield HEAD % (title, title)
    yield "<p>Nothing is fed while this page is served. The board restarts after saving, or after ten minutes.</p>"
    if problem:
        label = [one[1] for one in FIELDS if one[0] == problem.field][0]
        yield '<p role="alert" id="problem">%s: %s. Nothing was saved.</p>' % (label, escaped(problem.text))
    yield '<form method="post" action="/" autocomplete="off">'
    for field in fields_of(settings):
        for piece in _field(field, values, problem):
            yield piece
    yield "<button>Save and restart</button></form>"
    yield TAIL


def _field(field, values, problem):
    name, label, hint, secret = field
    wrong = bool(problem) and problem.field == name
    described = " ".join((["problem"] if wrong else []) + (["hint-" + name] if hint else []))
    more = ' aria-describedby="%s"' % described if described else ""
    if wrong:
        more += ' aria-invalid="true" autofocus'
    if name == "open":
        more += " checked" if values.get(name) else ""
        yield '<label><input type="checkbox" name="open" value="on"%s>%s</label>' % (more, label)
        return
    value = "" if secret else escaped(values.get(name, ""))
    yield '<label for="%s">%s</label><input id="%s" name="%s"' % (name, label, name, name)
    yield ' type="%s" value="%s"' % ("password" if secret else "text", value)
    yield ' autocapitalize="none" autocorrect="off" spellcheck="false"%s>' % more
    yield '<small id="hint-%s">%s</small>' % (name, hint)


def saved(settings):
    """Yields the page that says that it was done."""
    title = "Set-up of " + escaped(settings["device"])
    yield HEAD % (title, title)
    ssid = escaped(settings["wifi"]["ssid"])
    yield '<p role="status">Saved. The board restarts now and joins the network %s.</p>' % ssid
    yield TAIL


def typed(body):
    """{name: text} from a form's body (application/x-www-form-urlencoded, WHATWG URL Standard). Raises FormError."""
    found = {}
    for pair in body.split(b"&"):
        name, _, value = pair.partition(b"=")
        known = [one[0] for one in FIELDS if one[0].encode() == name]
        if not known or known[0] in found:
            continue
        name = known[0]
        try:
            found[name] = _plain(value)
        except ValueError:
            raise FormError(name, "expected text in UTF-8") from None
        if any(ord(sign) < 32 or ord(sign) == 127 for sign in found[name]):
            raise FormError(name, "expected no control characters")
    return found


def _plain(data):
    out = bytearray()
    at = 0
    while at < len(data):
        byte = data[at]
        if byte == 43:  # +
            byte = 32
        elif byte == 37 and len(data) - at > 2 and chr(data[at + 1]) in HEX and chr(data[at + 2]) in HEX:  # %
            byte = int(data[at + 1 : at + 3], 16)
            at += 2
        out.append(byte)
        at += 1
    return bytes(out).decode("utf-8")


def changed(settings, form):
    """New settings from the old ones and what was typed. Raises FormError for the first field that cannot be."""
    new = dict(settings)
    ssid = form.get("ssid", "")
    if not 1 <= len(ssid.encode()) <= LONGEST_SSID:
        raise FormError("ssid", "expected a name of 1 to %d bytes" % LONGEST_SSID)
    new["wifi"] = {"ssid": ssid, "password": _wifi_password(settings, form)}
    new["tls"], new["host"], new["port"] = _broker(form.get("broker", "").strip())
    if new["tls"] and not settings.get("ca"):
        raise FormError("broker", "expected mqtt://, since mqtts:// needs a certificate, which tareline flash brings")
    user, password = form.get("user", ""), form.get("password", "")
    for name, text in (("user", user), ("password", password)):
        if len(text.encode()) > LONGEST_NAME:
            raise FormError(name, "expected at most %d bytes" % LONGEST_NAME)
    if password and not user:
        raise FormError("password", "expected a user with it")
    new["user"] = user or None
    new["password"] = (password or settings.get("password")) if user else None
    if settings["kind"] == "feeder":
        new["ceiling_g_per_day"] = _grams(form.get("ceiling", "").strip().replace(",", "."))
    return new


def _wifi_password(settings, form):
    password = form.get("wifi_password", "")
    if form.get("open"):
        if password:
            raise FormError("wifi_password", "expected none for a network that has no password")
        return ""
    if not password:
        if not settings["wifi"]["password"]:
            raise FormError("wifi_password", "expected one, or the mark that the network has none")
        return settings["wifi"]["password"]
    if not 8 <= len(password.encode()) <= 63:
        raise FormError("wifi_password", "expected 8 to 63 characters")
    return password


def _broker(text):
    """(tls, host, port) of a broker's address."""
    scheme, mark, rest = text.partition("://")
    if not mark or scheme not in ("mqtt", "mqtts"):
        raise FormError("broker", "expected mqtt://HOST:PORT or mqtts://HOST:PORT")
    if "@" in rest:
        raise FormError("broker", "expected user and password in their own fields")
    rest = rest.rstrip("/")
    if rest.startswith("["):
        host, mark, port = rest[1:].partition("]")
        sound = bool(mark) and ":" in host and all(sign in HEX + ":." for sign in host)
        sound = sound and (not port or port.startswith(":"))
        port = port[1:]
    else:
        host, _, port = rest.partition(":")
        sound = bool(host) and all(ord(sign) < 128 for sign in host)
        sound = sound and all(sign.isalpha() or sign.isdigit() or sign in "-._" for sign in host)
    if not sound or len(host) > LONGEST_NAME:
        raise FormError("broker", "expected the broker's name or address after %s://" % scheme)
    if host == "localhost" or host.startswith("127.") or host == "::1":
        raise FormError("broker", "expected a name or an address in the network; %s is the board itself" % host)
    if not port:
        return scheme == "mqtts", host, 8883 if scheme == "mqtts" else 1883
    if len(port) > 5 or not all("0" <= sign <= "9" for sign in port) or not 1 <= int(port) <= 65535:
        raise FormError("broker", "expected a port from 1 to 65535")
    return scheme == "mqtts", host, int(port)


def _grams(text):
    digits = text.replace(".", "", 1)
    if not digits or len(text) > 9 or not all("0" <= sign <= "9" for sign in digits):
        raise FormError("ceiling", "expected grams, such as 2.5")
    grams = float(text) if "." in text else int(text)
    if not 0 < grams <= MOST_CEILING_G:
        raise FormError("ceiling", "expected grams above 0, at most %d" % MOST_CEILING_G)
    return grams
