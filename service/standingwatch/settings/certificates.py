"""The certificate and private key of a server: whether they can be used, and for what."""

from __future__ import annotations

import ssl
from pathlib import Path


class CertificateError(Exception):
    """A certificate and its key cannot be used; the text says why and what to do."""


def server_context(cert_file: Path, key_file: Path) -> ssl.SSLContext:
    """Return what a server encrypts with: TLS 1.2 or later, forward secret and authenticated ciphers alone.

    Parameters
    ----------
    cert_file
        Certificate of the server, and after it those between it and the authority (PEM).
    key_file
        Private key that belongs to it (PEM), not encrypted: nobody is there to type its password at a start.

    Raises
    ------
    CertificateError
        If either cannot be read, or they do not belong together.
    """
    # Purpose.CLIENT_AUTH is how Python names the side of the server ("ssl", create_default_context).
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    # Those of TLS 1.2 without CBC (RFC 9325, 4.2); those of TLS 1.3 are all of this kind.
    context.set_ciphers("ECDHE+AESGCM:ECDHE+CHACHA20")
    # A client that asks for a new handshake again and again makes the server work for nothing.
    context.options |= ssl.OP_NO_RENEGOTIATION
    # Without this HTTP/1.1 is spoken all the same; with it, a client that insists on another is told so.
    context.set_alpn_protocols(["http/1.1"])
    try:
        context.load_cert_chain(cert_file, key_file, password=_no_password)
    except ssl.SSLError as error:
        raise CertificateError(_words(cert_file, key_file, error)) from error
    except OSError as error:
        raise CertificateError(
            f"{cert_file} or {key_file}: {error.strerror or type(error).__name__}; "
            "correct the paths or the rights"
        ) from error
    return context


def client_context(ca_file: Path | None, cert_file: Path | None, key_file: Path | None) -> ssl.SSLContext:
    """Return what a client encrypts with, and knows its server by.

    Parameters
    ----------
    ca_file
        Certificates of the authorities to trust (PEM); None for the system's own.
    cert_file, key_file
        Our own certificate and its private key (PEM), not encrypted; None where the server asks for none.

    Raises
    ------
    CertificateError
        If one of them cannot be read, or the last two do not belong together.
    """
    try:
        context = ssl.create_default_context(cafile=str(ca_file) if ca_file is not None else None)
    except ssl.SSLError as error:
        raise CertificateError(
            f"{ca_file} has no certificate in it ({error.reason or 'no PEM'}); "
            "give that of the authority, as PEM"
        ) from error
    except OSError as error:
        raise CertificateError(
            f"{ca_file}: {error.strerror or error}; correct the path or the rights"
        ) from error
    if cert_file is not None:
        try:
            context.load_cert_chain(cert_file, key_file, password=_no_password)
        except ssl.SSLError as error:
            raise CertificateError(_words(cert_file, key_file or cert_file, error)) from error
        except OSError as error:
            raise CertificateError(
                f"{cert_file} or {key_file}: {error.strerror or error}; correct the paths or the rights"
            ) from error
    return context


def _no_password() -> str:
    """What is asked for where the key is encrypted; without it OpenSSL would ask at the terminal."""
    raise CertificateError("the private key is encrypted; write it without a password: openssl pkey -in KEY")


def _words(cert_file: Path, key_file: Path, error: ssl.SSLError) -> str:
    if error.reason == "KEY_VALUES_MISMATCH":
        return f"{key_file} is not the key of {cert_file}; give the two that were made together"
    if error.reason in ("EE_KEY_TOO_SMALL", "CA_KEY_TOO_SMALL", "CA_MD_TOO_WEAK"):
        return f"{cert_file} is too weak ({error.reason}); make one with RSA of 2048 bits or more, or ECDSA"
    return f"{cert_file} and {key_file} cannot be read as PEM ({error.reason or 'no PEM'}); give PEM files"
