"""Whether a change of the code leaves every answer as it was, to the last digit, on the example workshop.

python benchmarks/same_answers.py before/     # writes what every verb answers
python benchmarks/same_answers.py after/ before/     # writes it again and tells what differs
"""

import json
import subprocess
import sys
from pathlib import Path

from pliant.records.starters import starter

_MAKE = Path(__file__).parents[1] / "examples" / "make.py"
_PAIRS = (("bench-2", "95A"), ("bench-2", "85A"), ("long-tube", "75A"))


def _run(folder: Path, name: str, *words: str) -> None:
    """Keep what a verb prints, without what changes from run to run."""
    done = subprocess.run(
        [sys.executable, "-c", "from pliant.cli import main; main()", *words, "--json"],
        check=False,  # the exit code is part of the answer
        cwd=folder / "shop",
        capture_output=True,
        text=True,
    )
    (folder / f"{name}.json").write_text(f"exit {done.returncode}\n{done.stderr}\n{done.stdout}")


def _answers(folder: Path) -> None:
    shop = folder / "shop"
    shop.mkdir(parents=True)
    subprocess.run([sys.executable, _MAKE, shop], check=True)
    (shop / "rigid.toml").write_text(starter("recipe", "everyday"))
    for program in sorted(p.stem for p in shop.glob("*.gcode")):
        _run(folder, f"read-{program}", "read", f"{program}.gcode")
        for machine, spool in _PAIRS:
            pair = ("-m", f"{machine}.machine.toml", "-f", f"{spool}.filament.toml")
            _run(folder, f"check-{program}-{machine}-{spool}", "check", f"{program}.gcode", *pair)
            to = f"mended-{program}-{machine}-{spool}.gcode"
            _run(folder, f"mend-{program}-{machine}-{spool}", "mend", f"{program}.gcode", *pair, "-o", to)
    for machine, spool in _PAIRS:
        pair = ("-m", f"{machine}.machine.toml", "-f", f"{spool}.filament.toml")
        everything = ("--add", "prime", "--add", "first-layer", "--add", "factor", "--add", "coast")
        _run(
            folder, f"mend-all-{machine}-{spool}", "mend", "feet.gcode", *pair, *everything, "--height-mm", "0.05",
            "--dialect", "e-on-its-own", "-o", f"all-{machine}-{spool}.gcode",
        )  # fmt: skip
        _run(folder, f"plan-{machine}-{spool}", "plan", *pair, "--baseline", "rigid.toml")
        _run(folder, f"dry-{machine}-{spool}", "dry", "-f", f"{spool}.filament.toml")
        _run(folder, f"next-{machine}-{spool}", "next", *pair, "-p", "feet.gcode")
        for kind in ("ladder", "stop-start"):
            _run(folder, f"coupon-{kind}-{machine}-{spool}", "coupon", kind, *pair, "-o", f"{kind}-{spool}.gcode")
    piece = ("--pad", "20x20x10", "--deflection-mm", "1")
    _run(folder, "feel", "feel", "-f", "95A.filament.toml", *piece, "--force-n", "20")
    for name in sorted(p.name for p in shop.glob("*.stl")):
        _run(folder, f"part-{name}", "part", name, "-m", "bench-2.machine.toml", "-f", "95A.filament.toml")
    for machine, spool in _PAIRS[:2]:
        filled = shop / f"filled-{spool}.readings.toml"
        steps = (shop / f"ladder-{spool}.readings.toml").read_text(encoding="utf-8").split('answer = ""')
        answers = ['answer = "held"'] * 5 + ['answer = "failed"'] + ['answer = ""'] * len(steps)
        filled.write_text("".join(map("".join, zip(steps, [*answers[: len(steps) - 1], ""], strict=True))))
        pair = ("-m", f"{machine}.machine.toml", "-f", f"{spool}.filament.toml", "-p", "feet.gcode")
        _run(folder, f"learn-{spool}", "learn", filled.name, *pair, "-o", ".")


def main() -> None:
    """Write the answers, and compare them with earlier ones."""
    folder = Path(sys.argv[1])
    _answers(folder)
    files = sorted(p.relative_to(folder) for p in folder.rglob("*") if p.is_file())
    print(f"{len(files)} files written to {folder}")
    if len(sys.argv) < 3:
        return
    earlier = Path(sys.argv[2])
    wrong = [name for name in files if not (earlier / name).exists()]
    wrong += [n for n in files if (earlier / n).exists() and (earlier / n).read_bytes() != (folder / n).read_bytes()]
    wrong += [n for p in earlier.rglob("*") if p.is_file() and not (folder / (n := p.relative_to(earlier))).exists()]
    print(json.dumps([str(n) for n in wrong], indent=1) if wrong else "all the same, byte for byte")
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
