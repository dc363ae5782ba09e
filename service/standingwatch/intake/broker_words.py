"""Why there is no connection to the broker, in words that say what to look at."""

from __future__ import annotations

import socket
import ssl

from standingwatch.settings import BrokerSettings

#: Ports of MQTT, in clear and by TLS (IANA, Service Name and Transport Protocol Port Number Registry).
CLEAR_PORT, TLS_PORT = 1883, 8883

_CERTIFICATE = (
    "check broker.cert_file and broker.key_file: the broker may want a client certificate, or another"
)


def why_unreachable(error: BaseException | None, settings: BrokerSettings) -> str:
    """What kept a connection from being made, and what to do.

    Parameters
    ----------
    error
        What opening it raised; None if it is not known.
    settings
        Where the broker was looked for.
    """
    match error:
        case socket.gaierror():
            return f"the name {settings.host!r} is not known; check broker.host, and the name server"
        case ConnectionRefusedError():
            return "nobody listens there; check broker.host and broker.port, and that the broker runs"
        case ssl.SSLCertVerificationError():
            return _not_trusted(error, settings)
        case ssl.SSLError() if error.reason == "WRONG_VERSION_NUMBER":
            return (
                f"what listens there does not speak TLS; check broker.port ({TLS_PORT} is usual with TLS), "
                "or set broker.tls = false"
            )
        case ssl.SSLError() if error.reason is not None and "ALERT" in error.reason:
            return f"TLS was refused ({error.reason}); {_CERTIFICATE}"
        case ssl.SSLError():
            return f"TLS failed ({error.reason or error}); check broker.port and broker.tls"
        case ConnectionResetError() if settings.tls:
            return "what listens there ended the talk; it may not speak TLS: check broker.port and broker.tls"
        case TimeoutError():
            return "no answer; check broker.host and broker.port, and firewalls on the way"
        case OSError():
            return f"{error.strerror or error}; check broker.host and broker.port, and the network"
    return "no connection; check broker.host and broker.port"


def why_turned_away(settings: BrokerSettings) -> str:
    """What may be the matter where the broker ends a connection before it has answered, and what to do."""
    if settings.tls:
        # With TLS 1.3 a client is told of a certificate that is not taken only after it has connected.
        return f"the broker closed the connection before it answered; {_CERTIFICATE}, and broker.protocol"
    return (
        "the broker closed the connection before it answered; it may want TLS: check broker.port "
        f"({CLEAR_PORT} is usual in clear), broker.tls and broker.protocol"
    )


def _not_trusted(error: ssl.SSLCertVerificationError, settings: BrokerSettings) -> str:
    """Why the broker's certificate is not believed."""
    said = error.verify_message.rstrip(".")
    if error.verify_code in _WRONG_NAME:
        mend = "broker.host has to be a name or address that its certificate is for"
    elif error.verify_code in _WRONG_TIME:
        mend = "look at this machine's clock, and renew the broker's certificate"
    elif settings.ca_file is None:
        mend = "set broker.ca_file to the certificate of the authority that signed the broker's"
    else:
        mend = f"broker.ca_file ({settings.ca_file}) has to be of the authority that signed the broker's"
    return f"the broker's certificate is not trusted: {said}; {mend}"


#: OpenSSL's X509_V_ERR_HOSTNAME_MISMATCH and ..._IP_ADDRESS_MISMATCH; ..._CERT_NOT_YET_VALID and
#: ..._CERT_HAS_EXPIRED (x509_vfy.h).
_WRONG_NAME = (62, 64)
_WRONG_TIME = (9, 10)
