"""Settings, site lists, work on record and profiles with mistakes of every kind, through `check`."""

from __future__ import annotations

import contextlib
import io
import random
import time
import traceback
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from standingwatch.cli.main import main as command

ROOT = Path(__file__).parents[2]
#: More CPU time than this for one look is a failure.
SLOWEST_S = 5.0

#: What is put in place of values in TOML.
TOML = (
    *(
        '""',
        '"\\u0000"',
        '"x"',
        '"NaN"',
        "nan",
        "inf",
        "-inf",
        "-1",
        "0",
        "1",
        "9" * 18,
        "9" * 300,
        "1e400",
        "true",
    ),
    *(
        "false",
        "[]",
        "{}",
        '["a", 1]',
        "{a = 1}",
        "2026-11-26",
        "2026-11-26T00:00:00Z",
        "12:00:00",
        '"\\ud800"',
    ),
    *(
        '"/etc/passwd"',
        '"../.."',
        '"a" "b"',
        "'''",
        '"""',
        "=",
        "0x7f",
        "1_000",
        '"http://["',
        '"postgresql://u:p@["',
    ),
    *(
        '"' + "a" * 5000 + '"',
        "[" * 500,
        "[" * 200 + "]" * 200,
        "[" * 320 + "]" * 320,
        "{a=" * 200 + "1" + "}" * 200,
        '"sqlite:////nowhere/at/all"',
        '"postgresql://"',
        '"mysql://x/y"',
        '"\u202e"',
    ),
)

#: What is put in place of cells.
CELLS = (
    *(
        "",
        " ",
        "NaN",
        "inf",
        "-1",
        "0",
        "1e400",
        "9" * 300,
        "1,5",
        "true",
        "x" * 5000,
        "\u202e",
        "\0",
        '"',
        "'",
        "٣",
    ),
    *(
        "a/b",
        "#",
        "+",
        "=1+1",
        "2026-13-45",
        "2026-11-26T00:00:00",
        "-0",
        "1.0.0",
        "none",
        "7/8-in foam",
        "12 W",
        "\t",
    ),
)

INVENTORY = """\
site,transmitter,frequency_mhz,site_name,region,latitude,longitude,antenna_line,rated_power_w,feeder_type,\
feeder_length_m,coupler_directivity_db,pa_protection,profile,expected_interval_s
alder-ridge,rpt-1,155.34,Alder Ridge,north,61.2,24.9,line-1,100,7/8-in foam,40,25,foldback,,300
birch-hill,rpt-1,453.2,Birch Hill,south,60.1,25.1,,50,1/2-in foam,30,,none,one-box,60
"""

MAINTENANCE = """\
site,transmitter,start,end,kind
alder-ridge,rpt-1,2026-11-01T08:00:00Z,2026-11-01T12:00:00Z,visit
birch-hill,,2026-11-02T08:00:00Z,2026-11-02T12:00:00Z,outage
"""


@dataclass
class Checked:
    """What came of it: how many by kind of file and exit status, failures, and the slowest look."""

    ended: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    slowest: tuple[float, str] = (0.0, "")
    cpu_s: float = 0.0

    def words(self) -> str:
        """A few lines."""
        counts = ", ".join(f"{kind} {count:,}" for kind, count in sorted(self.ended.items()))
        return (
            f"{sum(self.ended.values()):,} files through check: {len(self.failures)} failures, "
            f"{self.cpu_s:.0f} s of CPU, the slowest {1000 * self.slowest[0]:.0f} ms ({self.slowest[1]})\n"
            f"  by kind and exit status: {counts}\n"
        )


def toml_with_mistakes(text: str, rng: random.Random) -> bytes:
    """Settings or a profile with some mistakes in their lines or bytes."""
    lines = text.split("\n")
    for _ in range(rng.randrange(1, 6)):
        at, way = rng.randrange(len(lines)), rng.randrange(9)
        line = lines[at]
        key, equals, _ = line.partition("=")
        if way <= 2 and equals:
            lines[at] = f"{key.lstrip('#')}= {rng.choice(TOML)}"
        elif way == 3:
            lines[at] = line.lstrip("# ")
        elif way == 4:
            del lines[at : at + rng.randrange(1, 4)]
            lines = lines or [""]
        elif way == 5:
            lines.insert(rng.randrange(len(lines)), line)
        elif way == 6 and equals:
            lines[at] = f"{key[::-1]}= 1"
        elif way == 7:
            lines.insert(
                at,
                f"[{rng.choice(('broker', 'x', 'channels.email.y', 'channels.webhook.z', 'fields.q', ''))}]",
            )
        else:
            cut = rng.randrange(len(line) + 1)
            lines[at] = line[:cut] + rng.choice(TOML) + line[cut:]
    return bytes_changed("\n".join(lines).encode("utf-8", "surrogatepass"), rng)


def table_with_mistakes(text: str, rng: random.Random) -> bytes:
    """A CSV file with some mistakes in its cells, columns, rows or bytes."""
    rows = [line.split(",") for line in text.splitlines()]
    for _ in range(rng.randrange(1, 5)):
        row, way = rng.choice(rows), rng.randrange(8)
        if way <= 3 and row:
            row[rng.randrange(len(row))] = rng.choice(CELLS)
        elif way == 4 and row:
            del row[rng.randrange(len(row))]
        elif way == 5:
            row.insert(rng.randrange(len(row) + 1), rng.choice((*CELLS, *rows[0])))
        elif way == 6:
            rows.insert(rng.randrange(len(rows)), list(row))
        else:
            rows = rows[: rng.randrange(1, len(rows) + 1)]
    joined = rng.choice((",", ",", ",", ";", "\t")).join
    return bytes_changed("\n".join(joined(row) for row in rows).encode(), rng)


def bytes_changed(body: bytes, rng: random.Random) -> bytes:
    """The same, or now and then with bytes that are no text, cut, or with a mark in front."""
    way, at = rng.randrange(12), rng.randrange(len(body) + 1)
    if way == 0:
        return body[:at] + rng.randbytes(rng.randrange(1, 5)) + body[at:]
    if way == 1:
        return body[:at]
    if way == 2:
        return rng.choice((b"\xef\xbb\xbf", b"\xff\xfe", b"\0")) + body
    return body.replace(b"\n", b"\r\n") if way == 3 else body


def check_files(folder: Path, count: int, seed: int) -> Checked:
    """So many files from a seed, each through the command with the others as they should be."""
    rng, done = random.Random(seed), Checked()
    example = (ROOT / "config" / "standingwatch.toml").read_text()
    profiles = [
        (one / "profile.toml").read_text() for one in sorted((ROOT / "fixtures" / "devices").iterdir())
    ]
    (folder / "profiles").mkdir()
    files = {name: folder / name for name in ("standingwatch.toml", "inventory.csv", "maintenance.csv")}
    files["profile"] = folder / "profiles" / "one-box.toml"
    good = {
        "standingwatch.toml": b'[inventory]\nfile = "inventory.csv"\n',
        "inventory.csv": INVENTORY.encode(),
        "maintenance.csv": MAINTENANCE.encode(),
        "profile": (ROOT / "fixtures" / "devices" / "one-box" / "profile.toml").read_bytes(),
    }
    for name, body in good.items():
        files[name].write_bytes(body)
    _one("good", b"", files, done)
    if done.ended != {"good 0": 1}:
        done.failures.append("the files to begin with are not good themselves")
    for _ in range(count):
        name = rng.choice(tuple(files))
        if name == "standingwatch.toml":
            body = toml_with_mistakes(example, rng)
        elif name == "profile":
            body = toml_with_mistakes(rng.choice(profiles), rng)
        else:
            body = table_with_mistakes(INVENTORY if name == "inventory.csv" else MAINTENANCE, rng)
        files[name].write_bytes(body)
        _one(name, body, files, done)
        files[name].write_bytes(good[name])
    return done


def _one(name: str, body: bytes, files: dict[str, Path], done: Checked) -> None:
    said, begin = io.StringIO(), time.thread_time()
    words = [
        "check",
        "--settings",
        str(files["standingwatch.toml"]),
        "--inventory",
        str(files["inventory.csv"]),
    ]
    status: object = None
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            status = command([*words, "--maintenance", str(files["maintenance.csv"])])
    except BaseException:  # noqa: BLE001  whatever it is, SystemExit too, it is what is looked for
        done.failures.append(f"{name}: {body[:2000]!r}\n{traceback.format_exc(limit=-4)}")
    took = time.thread_time() - begin
    done.cpu_s += took
    done.slowest = max(done.slowest, (took, name))
    done.ended[f"{name} {status}"] += 1
    text = said.getvalue()
    if status == 1 and not any(len(line) > 20 for line in text.splitlines()):
        done.failures.append(f"{name}: refused without words: {text!r}")
    if "Traceback" in text or status not in (0, 1, None) or took > SLOWEST_S:
        done.failures.append(f"{name}: status {status}, {took:.1f} s, {body[:2000]!r}\n{text[-1000:]}")
