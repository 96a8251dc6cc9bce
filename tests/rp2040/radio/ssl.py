"""On the board of the tests: the names that sockets.py of the firmware looks for; no connection there is encrypted."""

CERT_REQUIRED = 2
PROTOCOL_TLS_CLIENT = 0
