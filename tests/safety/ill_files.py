"""Files as a person gets them wrong: lines of a dialect left out or added, channels and addresses mixed up."""

from __future__ import annotations

import random
import re
from pathlib import Path

from ill_draw import Drawn


def edited(drawn: Drawn, draw: random.Random, folder: Path) -> None:
    """Write something wrong into the files, as a person would."""
    bench = folder / "bench.toml"
    text = bench.read_text("utf-8")
    files = sorted(path for path in folder.glob("*.toml") if path.stem not in ("bench", "pack", "ups"))
    choices: list[str] = []
    for path in files:
        own = path.read_text("utf-8")
        choices += [
            f"{path.name}|{key}"
            for key in ("echo = true", "terminator", "pace_s", "decimal_comma = true", "message_bytes", "gap_s = ")
            if re.search(rf"^{re.escape(key)}.*$", own, re.MULTILINE)
        ]
        choices += [
            f"{path.name}|add {key}"
            for key in ("echo = true", 'terminator = "\\r\\n"', "gap_s = 0.05", "decimal_comma")
        ]
        choices += [f"{path.name}|no remote"] if "[remote]" in own else []
        choices += [f"{path.name}|joined"] if "joined" in own else []
    choices += ["bench|channel"] * 3 if re.search(r"^channel = ", text, re.MULTILINE) else []
    choices += ["bench|swap channels"] * 3 if len(re.findall(r"^channel = ", text, re.MULTILINE)) > 1 else []
    choices += ["bench|same channels"] * 3 if len(re.findall(r"^channel = ", text, re.MULTILINE)) > 1 else []
    choices += ["bench|swap addresses", "bench|swap addresses, no identity", "bench|other shape"]
    drawn.wrong = draw.choice(choices)
    where, _, what = drawn.wrong.partition("|")
    if where != "bench":
        path = folder / where
        own = path.read_text("utf-8")
        if what == "joined":
            own = own.replace("joined = true", "joined = X").replace("joined = false", "joined = true")
            own = own.replace("joined = X", "joined = false")
        elif what == "no remote":
            own = re.sub(r"\[remote\]\n(\w+ = .*\n)+", "", own)
        elif what == "add decimal_comma":
            own = own if "decimal_comma" in own else "decimal_comma = true\n" + own
        elif what.startswith("add "):
            line = what[4:]
            key = line.partition(" ")[0]
            own = re.sub(rf"^{key} = .*\n", "", own, flags=re.MULTILINE)
            own = own.replace("[line]\n", f"[line]\n{line}\n") if "[line]" in own else own + f"\n[line]\n{line}\n"
        else:
            own = re.sub(rf"^{re.escape(what)}.*\n", "", own, flags=re.MULTILINE)
        path.write_text(own, "utf-8")
        return
    if what == "channel":
        found = draw.choice(list(re.finditer(r"^channel = (\d)", text, re.MULTILINE)))
        other = draw.choice([n for n in range(1, 4) if n != int(found.group(1))])
        text = text[: found.start()] + f"channel = {other}" + text[found.end() :]
    elif what in ("swap channels", "same channels"):
        one, two = draw.sample(list(re.finditer(r"^channel = (\d)", text, re.MULTILINE)), 2)
        first, second = sorted((one, two), key=lambda m: m.start())
        kept = second.group(1) if what == "same channels" else first.group(1)
        text = (
            text[: first.start()] + f"channel = {second.group(1)}" + text[first.end() : second.start()]
            + f"channel = {kept}" + text[second.end() :]
        )  # fmt: skip
    elif what.startswith("swap addresses"):
        found = draw.sample(list(re.finditer(r'^address = (".*")$', text, re.MULTILINE)), 2)
        first, second = sorted(found, key=lambda m: m.start())
        text = (
            text[: first.start(1)] + second.group(1) + text[first.end(1) : second.start(1)]
            + first.group(1) + text[second.end(1) :]
        )  # fmt: skip
        if "no identity" in what:
            text = re.sub(r"^identity = .*\n", "", text, flags=re.MULTILINE)
    else:
        supplies = [
            "scpi-supply",
            "scpi-supply-select",
            "scpi-supply-suffix",
            "scpi-supply-list",
            "scpi-supply-two-quadrant",
            "scpi-supply-watchdog",
        ]
        loads = ["scpi-load", "scpi-load-mode", "scpi-load-watchdog"]
        kind = draw.choice([supplies, loads])
        role = "supply" if kind is supplies else "load"
        head, *tables = text.split("[[instrument]]")
        for number, table in enumerate(tables):
            if f'name = "{role}"' in table:
                table = re.sub(r"^dialect = .*$", f'dialect = "{draw.choice(kind)}"', table, flags=re.MULTILINE)
                if draw.random() < 0.5:
                    table = re.sub(r"^channel = .*\n", "", table, flags=re.MULTILINE)
                elif "channel = " not in table:
                    table = table.replace("address = ", f"channel = {draw.randint(1, 3)}\naddress = ", 1)
                tables[number] = table
        text = "[[instrument]]".join([head, *tables])
    bench.write_text(text, "utf-8")
