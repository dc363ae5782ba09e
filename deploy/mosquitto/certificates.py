#!/usr/bin/env python3
"""Certificates for a broker and a fleet of sites, by openssl: made, renewed, revoked, listed.

Two authorities, each in a folder of its own: `sites` for the sites, `services` for the broker, Standing Watch
itself and other programs. A site's certificate so opens the listener of the sites alone, and no site can pass
for the broker. The common name of a certificate is the name of the site or program; the broker takes it for
the user. One file, so that it can be copied to the
computer that keeps the authorities. Needs Python 3.11 or later and openssl 3, nothing else.
"""

from __future__ import annotations

import argparse
import csv
import fcntl
import hashlib
import ipaddress
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import quote

AUTHORITY_DAYS = 7300
#: A list that has run out shuts every site out: it lives as long as its authority; `revoke` makes it anew.
REVOCATION_LIST_DAYS = AUTHORITY_DAYS
CERTIFICATE_DAYS = 730

#: Upper bound of a common name (RFC 5280, appendix A.1, ub-common-name), in characters.
LONGEST_NAME = 64

#: Longest name of a file without its ending; those of longer ones are a digest of the name.
LONGEST_FILE = 200

#: Client identities of the service begin so. The broker makes a site's name its client identity, and a client
#: with the identity of another one takes its session over.
RESERVED = "standingwatch"

#: Certificates hold from this long before they are made: the clocks of sites may be behind.
BACKDATED = timedelta(days=1)

CONFIGURATION = """\
[req]
distinguished_name = nothing
string_mask = utf8only
utf8 = yes
[nothing]
[authority_extensions]
basicConstraints = critical,CA:true,pathlen:0
keyUsage = critical,keyCertSign,cRLSign
subjectKeyIdentifier = hash
[ca]
default_ca = authority
[authority]
database = index.txt
new_certs_dir = kept
certificate = ca.crt
private_key = ca.key
rand_serial = yes
default_md = sha256
policy = policy
unique_subject = no
copy_extensions = none
email_in_dn = no
[policy]
commonName = supplied
[client]
basicConstraints = critical,CA:false
keyUsage = critical,digitalSignature
extendedKeyUsage = clientAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
[broker]
basicConstraints = critical,CA:false
keyUsage = critical,digitalSignature
extendedKeyUsage = serverAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
subjectAltName = ${ENV::STANDINGWATCH_ALT_NAMES}
"""


class CertificateError(Exception):
    """Something that was asked for cannot be done; the text says why and what to do."""


@dataclass(frozen=True)
class Issued:
    """A certificate that an authority has given out.

    Attributes:
        state: "valid", "revoked" or "expired".
        until: when it runs out, UTC.
        serial: its number, in hexadecimal.
        name: its common name.
    """

    state: str
    until: datetime
    serial: str
    name: str

    @property
    def days_left(self) -> float:
        """Days until it runs out; negative afterwards."""
        return (self.until - datetime.now(UTC)) / timedelta(days=1)


class Authority:
    """An authority in its folder.

    Args:
        folder: where its key and all that it has given out are.
        passphrase_file: file with the word that its key is encrypted with; None for a key in clear.
    """

    def __init__(self, folder: Path, passphrase_file: Path | None) -> None:
        self.folder = folder
        self._passphrase = f"file:{passphrase_file.resolve()}" if passphrase_file is not None else None

    def begin(self) -> None:
        """Make the authority.

        Raises:
            CertificateError: if there is one; it is never overwritten, or all its certificates were worth
                nothing.
        """
        if (self.folder / "ca.key").exists():
            raise CertificateError(f"{self.folder} has an authority already; nothing was changed")
        for folder in (self.folder, self.folder / "kept", self.folder / "issued"):
            folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "index.txt").touch()
        (self.folder / "openssl.cnf").write_text(CONFIGURATION)
        encrypted = ["-aes256", "-pass", self._passphrase] if self._passphrase else []
        self._openssl(
            *("genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256"),
            *encrypted,
            "-out",
            "ca.new",
        )
        self._openssl(
            *("req", "-x509", "-new", "-config", "openssl.cnf", "-key", "ca.new", *self._key_word()),
            *("-subj", f"/CN=Standing Watch {self.folder.name}", "-days", str(AUTHORITY_DAYS)),
            *("-extensions", "authority_extensions", "-sha256", "-out", "ca.crt"),
        )
        # The key last: half an authority is begun again.
        (self.folder / "ca.new").replace(self.folder / "ca.key")
        self.make_list()

    def check_there(self) -> None:
        """Raise a `CertificateError` unless there is one."""
        if not (self.folder / "ca.key").exists():
            raise CertificateError(
                f"{self.folder} has no authority: run `certificates.py init` first, or give --folder"
            )

    def path(self, name: str, kind: str) -> Path:
        """The file of a name: `kind` is "crt", "key" or "csr"."""
        word = quote(name, safe=" ")
        if len(word) > LONGEST_FILE:
            word = hashlib.sha256(name.encode()).hexdigest()
        return self.folder / "issued" / f"{word}.{kind}"

    def issue(self, name: str, kind: str, alt_names: str = "", csr: Path | None = None) -> Path:
        """Make a key and a certificate.

        Args:
            name: common name.
            kind: "client" or "broker".
            alt_names: what a broker is reached by, as `DNS:NAME,IP:ADDRESS`.
            csr: a request that somebody made with a key of their own; only the public key of it counts.

        Returns:
            The file of the certificate; key and request lie beside it.
        """
        request = self.path(name, "csr")
        if csr is not None:
            request.write_bytes(csr.read_bytes())
            self.path(name, "key").unlink(missing_ok=True)
        else:
            fresh = self.path(name, "new")
            self._openssl(
                *(
                    "genpkey",
                    "-algorithm",
                    "EC",
                    "-pkeyopt",
                    "ec_paramgen_curve:P-256",
                    "-out",
                    str(fresh.resolve()),
                )
            )
            self._openssl(
                *(
                    "req",
                    "-new",
                    "-config",
                    "openssl.cnf",
                    "-key",
                    str(fresh.resolve()),
                    "-subj",
                    "/CN=request",
                ),
                *("-out", str(request.resolve())),
            )
            fresh.replace(self.path(name, "key"))
        return self.sign(name, kind, alt_names)

    def sign(self, name: str, kind: str, alt_names: str = "") -> Path:
        """Sign the request that lies there for a name, (again) for `CERTIFICATE_DAYS`."""
        now, target = datetime.now(UTC), self.path(name, "crt")
        fresh = target.with_suffix(".crt.new")
        self._openssl(
            *(
                "ca",
                "-batch",
                "-config",
                "openssl.cnf",
                "-notext",
                "-utf8",
                "-in",
                str(self.path(name, "csr").resolve()),
            ),
            *("-subj", f"/CN={name}", "-extensions", kind, *self._key_word()),
            *(
                "-startdate",
                asn1_time(now - BACKDATED),
                "-enddate",
                asn1_time(now + timedelta(CERTIFICATE_DAYS)),
            ),
            *("-out", str(fresh.resolve())),
            alt_names=alt_names,
        )
        fresh.replace(target)
        return target

    def revoke(self, name: str) -> int:
        """Revoke all certificates of a name that are not; how many."""
        theirs = [one for one in self.issued() if one.name == name and one.state == "valid"]
        for one in theirs:
            self._openssl(
                *("ca", "-config", "openssl.cnf", "-revoke", f"kept/{one.serial}.pem", *self._key_word()),
                *("-crl_reason", "cessationOfOperation"),
            )
        self.make_list()
        return len(theirs)

    def make_list(self) -> None:
        """Make the list of what is revoked anew."""
        self._openssl(
            *("ca", "-config", "openssl.cnf", "-gencrl", "-crldays", str(REVOCATION_LIST_DAYS)),
            *(*self._key_word(), "-out", "crl.new"),
        )
        (self.folder / "crl.new").replace(self.folder / "crl.pem")

    def issued(self) -> list[Issued]:
        """All certificates ever given out, oldest first."""
        found = []
        for line in (self.folder / "index.txt").read_text().splitlines():
            state, until, _, serial, _, subject = line.split("\t")
            form = "%y%m%d%H%M%SZ" if len(until) == 13 else "%Y%m%d%H%M%SZ"
            end = datetime.strptime(until, form).replace(tzinfo=UTC)
            word = "revoked" if state == "R" else "valid" if end > datetime.now(UTC) else "expired"
            found.append(Issued(word, end, serial, common_name(subject)))
        return found

    def in_force(self) -> dict[str, Issued]:
        """The certificate of each name that lasts longest, of those that are not revoked."""
        best: dict[str, Issued] = {}
        for one in self.issued():
            if one.state != "revoked" and (one.name not in best or one.until > best[one.name].until):
                best[one.name] = one
        return best

    def _key_word(self) -> list[str]:
        return ["-passin", self._passphrase] if self._passphrase else []

    def _openssl(self, *words: str, alt_names: str = "") -> None:
        """Run openssl in the authority's folder: so no path has to be written into its configuration."""
        # The configuration names the variable, so that it has to be there; an empty one would be an error.
        environment = {**os.environ, "STANDINGWATCH_ALT_NAMES": alt_names or "DNS:unused"}
        try:
            done = subprocess.run(  # noqa: S603  words of our own; names were checked, and no shell reads them
                ["openssl", *words],  # noqa: S607  openssl is where the system has it
                cwd=self.folder,
                env=environment,
                capture_output=True,
                text=True,
                check=False,
            )
        except FileNotFoundError as error:
            raise CertificateError("openssl is not installed; on Debian: apt install openssl") from error
        if done.returncode:
            raise CertificateError(f"openssl {words[0]} failed: {done.stderr.strip()}")


def asn1_time(moment: datetime) -> str:
    """A time as openssl takes it."""
    return moment.strftime("%Y%m%d%H%M%SZ")


def common_name(subject: str) -> str:
    """The common name in openssl's one-line form of a subject, where bytes past ASCII stand as \\xHH."""
    text = subject.rpartition("/CN=")[2]
    raw = re.sub(rb"\\x([0-9A-F]{2})", lambda m: bytes.fromhex(m[1].decode()), text.encode())
    return raw.decode()


def check_name(name: str, what: str) -> None:
    """Refuse names that cannot be a user of the broker and a level of a topic."""
    wrong = sorted({c for c in name if c in "/+#\\" or not c.isprintable()})
    if not name.strip() or name != name.strip():
        raise CertificateError(f"{what} {name!r}: a name may not be empty, nor begin or end with a blank")
    if wrong:
        raise CertificateError(f"{what} {name!r}: a name may not have {' '.join(map(repr, wrong))} in it")
    if len(name) > LONGEST_NAME:
        raise CertificateError(
            f"{what} {name!r} has {len(name)} characters, a certificate holds {LONGEST_NAME}: shorten it, on "
            "the site list too, or give the site a password"
        )


def check_site(name: str) -> None:
    """Refuse names that no site may have."""
    check_name(name, "site")
    if name == RESERVED or name.startswith(f"{RESERVED}-"):
        raise CertificateError(
            f"site {name!r}: names that begin with {RESERVED!r} are those of the service at the broker"
        )


def sites_of(path: Path) -> list[str]:
    """The sites of a site list, each once, in its order."""
    with path.open(newline="", encoding="utf-8-sig") as file:
        heading = file.readline()
        file.seek(0)
        rows = csv.DictReader(file, delimiter=";" if heading.count(";") > heading.count(",") else ",")
        if "site" not in (rows.fieldnames or []):
            raise CertificateError(f"{path} has no column 'site'; a site list is wanted")
        return list(dict.fromkeys(row["site"].strip() for row in rows if row["site"]))


def alt_names_of(names: list[str]) -> str:
    """Names and addresses of a broker as openssl takes them."""
    parts = []
    for name in names:
        try:
            parts.append(f"IP:{ipaddress.ip_address(name)}")
        except ValueError:
            if not re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?", name):
                raise CertificateError(f"{name!r} is neither a host name nor an address") from None
            parts.append(f"DNS:{name}")
    return ",".join(parts)


def say(text: str | Path) -> None:
    """A line for whoever runs the command."""
    print(text)  # noqa: T201  that is what a command is for


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Let nobody else at the folder meanwhile."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / ".lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


@dataclass
class Work:
    """What the commands do."""

    folder: Path
    sites: Authority
    services: Authority

    def init(self, _said: argparse.Namespace) -> int:
        """Make the two authorities."""
        for authority in (self.services, self.sites):
            authority.begin()
        say(f"authorities made in {self.folder}; keep the two ca.key where nobody else comes, and a copy")
        return 0

    def broker(self, said: argparse.Namespace) -> int:
        """Key and certificate of a broker; the first name names the files."""
        alt_names = alt_names_of(said.names)
        check_name(said.names[0], "broker")
        made = self.services.issue(said.names[0], "broker", alt_names)
        (self.services.path(said.names[0], "alt")).write_text(alt_names)
        return self._told([made])

    def service(self, said: argparse.Namespace) -> int:
        """Key and certificate of a program."""
        check_name(said.name, "service")
        if said.name in self.services.in_force():
            raise CertificateError(f"{said.name!r} has one already: renew it, or revoke it first")
        return self._told([self.services.issue(said.name, "client")])

    def site(self, said: argparse.Namespace) -> int:
        """Keys and certificates of sites. All names are looked at before the first one is made."""
        names = list(said.names) + (sites_of(said.site_list) if said.site_list else [])
        if not names:
            raise CertificateError("name a site, or give --site-list FILE")
        if said.csr and len(names) != 1:
            raise CertificateError("--csr is the request of one site: name that one")
        for name in names:
            check_site(name)
        # One whose making was cut short has no file, and is made again.
        there = {name for name in self.sites.in_force() if self.sites.path(name, "crt").exists()}
        made = [self.sites.issue(n, "client", csr=said.csr) for n in names if said.csr or n not in there]
        if kept := [name for name in names if name in there and not said.csr]:
            say(f"{len(kept)} have one already and keep it (renew or revoke it): {', '.join(kept[:5])}")
        return self._told(made)

    def renew(self, said: argparse.Namespace) -> int:
        """Sign anew, with the key there is, what was named or runs out soon."""
        authorities, named = (self.services, self.sites), set(said.names)
        known = {name for authority in authorities for name in authority.in_force()}
        if named - known:
            raise CertificateError(f"no certificate in force of {', '.join(sorted(named - known))}")
        made = []
        for authority in authorities:
            for name, one in authority.in_force().items():
                if name in named or (not named and one.days_left < said.within):
                    alt = authority.path(name, "alt")
                    kind = "broker" if alt.exists() else "client"
                    made.append(authority.sign(name, kind, alt.read_text() if alt.exists() else ""))
        return self._told(made)

    def revoke(self, said: argparse.Namespace) -> int:
        """Take back all certificates of a name, of whichever authority."""
        count = sum(authority.revoke(said.name) for authority in (self.sites, self.services))
        if not count:
            raise CertificateError(
                f"no certificate in force of {said.name!r}: `certificates.py list` shows what there is"
            )
        say(f"{count} revoked; now give sites/crl.pem and services/crl.pem to the broker and restart it")
        return 0

    def overview(self, said: argparse.Namespace) -> int:
        """Show what there is; 1 when something that is in force runs out soon."""
        soon = 0
        for authority in (self.services, self.sites):
            in_force = authority.in_force()
            for one in authority.issued():
                near = in_force.get(one.name) == one and one.days_left < said.within
                soon += near
                mark = "  RENEW" if near else ""
                say(f"{authority.folder.name:<8}  {one.state:<7}  {one.until:%Y-%m-%d}  {one.name}{mark}")
        return 1 if soon else 0

    @staticmethod
    def _told(made: list[Path]) -> int:
        for path in made:
            say(path)
        return 0


def arguments() -> argparse.ArgumentParser:
    """What can be said on the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument(
        "--folder", type=Path, default=Path("certificates"), help="where all is kept (%(default)s)"
    )
    parser.add_argument(
        "--passphrase-file", type=Path, help="file with the word that authorities' keys are encrypted with"
    )
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("init", help="make the two authorities").set_defaults(work=Work.init)
    broker = commands.add_parser("broker", help="key and certificate of a broker")
    broker.set_defaults(work=Work.broker)
    broker.add_argument(
        "names", nargs="+", metavar="NAME", help="host names and addresses that it is reached by"
    )
    service = commands.add_parser("service", help="key and certificate of Standing Watch or another program")
    service.set_defaults(work=Work.service)
    service.add_argument("name", nargs="?", default="standingwatch", help="user at the broker (%(default)s)")
    site = commands.add_parser("site", help="key and certificate of sites; those that have one keep it")
    site.set_defaults(work=Work.site)
    site.add_argument("names", nargs="*", metavar="SITE")
    site.add_argument("--site-list", type=Path, help="CSV file with a column 'site'")
    site.add_argument("--csr", type=Path, help="request of one site that made its key itself")
    renew = commands.add_parser("renew", help="sign anew, with the same key, what runs out soon")
    renew.set_defaults(work=Work.renew)
    renew.add_argument("names", nargs="*", metavar="NAME", help="these, however long they last")
    renew.add_argument("--within", type=float, default=90, metavar="DAYS", help="(%(default)g)")
    revoke = commands.add_parser("revoke", help="take the certificates of a site or program back")
    revoke.set_defaults(work=Work.revoke)
    revoke.add_argument("name")
    listing = commands.add_parser("list", help="what there is; status 1 when something runs out soon")
    listing.set_defaults(work=Work.overview)
    listing.add_argument("--within", type=float, default=30, metavar="DAYS", help="(%(default)g)")
    return parser


def main(words: list[str] | None = None) -> int:
    """Do what the command line says; the exit status."""
    said = arguments().parse_args(words)
    os.umask(0o077)
    work = Work(
        said.folder,
        Authority(said.folder / "sites", said.passphrase_file),
        Authority(said.folder / "services", said.passphrase_file),
    )
    try:
        with locked(said.folder):
            if said.command != "init":
                for authority in (work.sites, work.services):
                    authority.check_there()
            return int(said.work(work, said))
    except (CertificateError, OSError) as error:
        print(f"certificates: {error}", file=sys.stderr)  # noqa: T201  a command says what is wrong
        return 1


if __name__ == "__main__":
    sys.exit(main())
