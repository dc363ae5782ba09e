"""The helper that makes certificates for a fleet: what it makes, and what it refuses."""

from __future__ import annotations

import re
import shutil
import stat
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest


def openssl(*words: str) -> str:
    return subprocess.run(["openssl", *words], check=True, capture_output=True, text=True).stdout


def names(lines: list[str], state: str) -> list[str]:
    """Names in the answer of `list` whose certificate is in a state."""
    return [re.split(r"\s{2,}", line, maxsplit=3)[3] for line in lines if line.split()[1] == state]


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("north/alder", "may not have '/'"),
        ("alder+", "may not have '+'"),
        ("#", "may not have '#'"),
        ("a\\x41", "may not have '\\\\'"),
        ("a\nb", "may not have '\\n'"),
        ("", "may not be empty"),
        (" alder", "begin or end with a blank"),
        ("x" * 65, "65 characters"),
        ("standingwatch", "names that begin with 'standingwatch'"),
        ("standingwatch-notify", "names that begin with 'standingwatch'"),
    ],
)
def test_names_that_no_site_may_have(made_once: Path, helper: Any, name: str, says: str) -> None:
    run = helper(made_once)
    before = run("list")
    # A good one beside it is not made either.
    done = run.run("site", "good", name)
    assert done.returncode == 1
    assert says in done.stderr
    assert done.stderr.count("\n") == 1, "a sentence and no traceback"
    assert run("list") == before


@pytest.mark.parametrize("name", ["ö" * 64, "..", "-n", "a=b,c", "$(touch x)", "Ⅻ 東", "standing", 'q"q'])
def test_names_as_they_come(certificates: Path, helper: Any, name: str) -> None:
    run = helper(certificates)
    (path,) = run("site", "--", name)
    assert Path(path).resolve().is_relative_to((certificates / "sites" / "issued").resolve())
    said = openssl("x509", "-in", path, "-noout", "-subject", "-nameopt", "utf8,sep_multiline,lname")
    assert said.rstrip("\n").split("commonName=")[1] == name
    assert name in names(run("list"), "valid")
    assert run("revoke", "--", name)
    assert name in names(run("list"), "revoked")


def test_nobody_else_reads_keys(made_once: Path) -> None:
    modes = {stat.S_IMODE(path.stat().st_mode) & 0o077 for path in made_once.rglob("*")}
    assert modes == {0}
    assert len(list(made_once.rglob("*.key"))) == 11


def test_a_site_list(certificates: Path, helper: Any, tmp_path: Path) -> None:
    run = helper(certificates)
    fleet = tmp_path / "fleet.csv"
    fleet.write_text(
        "site;transmitter;frequency_mhz\nalder-ridge;a;1\nnew-hill;a;1\nnew-hill;b;1\nFörde Süd;a;1\n",
        "utf-8-sig",
    )
    kept = (certificates / "sites/issued/alder-ridge.crt").read_bytes()
    lines = run("site", "--site-list", str(fleet))
    assert lines[0] == "1 have one already and keep it (renew or revoke it): alder-ridge"
    assert len(lines) == 3
    assert (certificates / "sites/issued/alder-ridge.crt").read_bytes() == kept
    fleet.write_text("name\nx\n")
    assert "no column 'site'" in run.run("site", "--site-list", str(fleet)).stderr


def test_a_key_that_never_leaves_the_site(certificates: Path, helper: Any, tmp_path: Path) -> None:
    key, csr = str(tmp_path / "own.key"), str(tmp_path / "own.csr")
    # What the request says of itself is not believed: it asks to be another site, and an authority.
    openssl(
        *(
            "req",
            "-new",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-subj",
            "/CN=birch-hill",
            "-keyout",
            key,
            "-out",
            csr,
        ),
        *("-addext", "basicConstraints=critical,CA:true"),
    )
    (path,) = helper(certificates)("site", "new-hill", "--csr", csr)
    text = openssl("x509", "-in", path, "-noout", "-text")
    assert "Subject: CN = new-hill" in text
    assert "CA:FALSE" in text
    assert "CA:TRUE" not in text
    assert openssl("x509", "-in", path, "-noout", "-pubkey") == openssl("pkey", "-in", key, "-pubout")
    assert not Path(path).with_suffix(".key").exists()


def test_an_authority_is_never_overwritten(certificates: Path, helper: Any) -> None:
    key = (certificates / "sites/ca.key").read_bytes()
    done = helper(certificates).run("init")
    assert done.returncode == 1
    assert "has an authority already" in done.stderr
    assert (certificates / "sites/ca.key").read_bytes() == key
    done = helper(certificates / "elsewhere").run("site", "alder-ridge")
    assert "run `certificates.py init` first" in done.stderr


def test_keys_of_authorities_in_cipher(helper: Any, tmp_path: Path) -> None:
    word = tmp_path / "word"
    word.write_text("correct horse\n")
    run = helper(tmp_path / "made", "--passphrase-file", str(word))
    run("init")
    assert "ENCRYPTED" in (tmp_path / "made/sites/ca.key").read_text()
    run("site", "alder-ridge")
    run("revoke", "alder-ridge")
    word.write_text("wrong\n")
    done = run.run("site", "birch-hill")
    assert done.returncode == 1
    assert "openssl ca failed" in done.stderr
    assert "birch-hill" not in "".join(run("list"))


def test_what_runs_out(certificates: Path, helper: Any) -> None:
    run = helper(certificates)
    assert run.run("list", "--within", "700").returncode == 0
    soon = run.run("list", "--within", "731")
    assert soon.returncode == 1
    assert soon.stdout.count("RENEW") == 9
    assert run("renew", "--within", "700") == []
    assert len(run("renew", "alder-ridge")) == 1
    assert len(run("renew", "localhost")) == 1
    text = openssl("x509", "-in", str(certificates / "services/issued/localhost.crt"), "-noout", "-text")
    assert "DNS:localhost, IP Address:127.0.0.1" in text
    assert "no certificate in force of nobody" in run.run("renew", "alder-ridge", "nobody").stderr
    # Both certificates of the name go when it is taken back.
    assert run("revoke", "alder-ridge")[0].startswith("2 revoked")
    assert run.run("revoke", "alder-ridge").returncode == 1


def test_one_whose_making_was_cut_short_is_made_again(certificates: Path, helper: Any) -> None:
    path = certificates / "sites/issued/alder-ridge.crt"
    path.unlink()
    assert helper(certificates)("site", "alder-ridge") == [str(path)]
    assert path.exists()


def test_several_at_once(certificates: Path, helper: Any) -> None:
    run = helper(certificates)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda n: run("site", f"new-{n}"), range(8)))
    assert {f"new-{n}" for n in range(8)} <= set(names(run("list"), "valid"))


def test_without_openssl(certificates: Path, helper: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(certificates))
    assert shutil.which("openssl") is None
    assert "apt install openssl" in helper(certificates).run("site", "new").stderr
