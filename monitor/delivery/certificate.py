"""The certificate that a broker shows: fetched by a handshake of its own, and nothing is sent after it."""

from __future__ import annotations

import socket
import ssl

from monitor.delivery.mqtt import BrokerAddress, tls_context
from monitor.errors import BrokerError

_WITHIN_S = 5.0


def shown_certificate(address: BrokerAddress) -> bytes:
    """Return the broker's own certificate, DER.

    It is not judged here: one that has ended is shown too. The session judges it at every connection.

    Raises:
        BrokerError: the broker was not reached or speaks no TLS, or a certificate file of ours cannot be
            used.
    """
    context = tls_context(address)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    try:
        with (
            socket.create_connection((address.host, address.port), _WITHIN_S) as plain,
            context.wrap_socket(plain, server_hostname=address.host) as link,
        ):
            return link.getpeercert(binary_form=True) or b""
    except (OSError, ValueError) as error:  # SSLError is an OSError
        raise BrokerError(
            f"broker {address.host}:{address.port}: its certificate cannot be seen: {error}"
        ) from error
