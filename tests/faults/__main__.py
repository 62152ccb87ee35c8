"""The fault runs: `python -m tests.faults --seed 7 --faults "F1 F3" --rounds 10`.

Without --faults all of them. The folder of a red run is kept: the clients' files and all logs.
"""

import argparse
import secrets
import shutil
import signal
import sys
from collections.abc import Mapping

from tests.faults import defects
from tests.faults.injected import FAULTS, FULL
from tests.faults.run import new_folder, run, schedule, tell
from tests.faults.stand import FAKETIME, QUIET_S, Plan

WHOLE_PAUSE_S, WHOLE_QUIET_S = 1.0, 900.0


def rounds(given: str) -> int | None:
    """How many of each fault; None for the whole proof's own numbers."""
    return None if given == "full" else int(given)


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="0 draws one, which is printed")
    parser.add_argument("--faults", default="", help=f"some of {' '.join(FAULTS)}")
    parser.add_argument(
        "--rounds", type=rounds, default=3, help="of each fault (default: 3), or `full`: the whole proof"
    )
    parser.add_argument(
        "--defect", nargs="+", choices=defects.NAMES, default=[], help="known-bad settings; must be red"
    )
    parser.add_argument("--sweep", type=int, default=15, help="seconds between sweeps (default: 15)")
    parser.add_argument(
        "--pause", type=float, help="seconds a client rests between acts (default: 0; in the whole proof 1)"
    )
    parser.add_argument("--traverses", type=float, default=0.5, help="share of sessions with 50 readings")
    return parser.parse_args()


def main() -> int:
    given = arguments()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("stopped"))  # unwinds the stand
    faults = given.faults.split() or [name for name in FAULTS if name != "F5-kill"]
    if unknown := set(faults) - set(FAULTS):
        sys.exit(f"no such fault: {' '.join(sorted(unknown))}; there are {' '.join(FAULTS)}")
    if "constraint" in given.defect and faults != ["F10"]:
        sys.exit("the defect `constraint` goes with --faults F10: what starts anew would see it")
    seed = given.seed or secrets.randbelow(10**6) + 1
    numbers = {name: FULL[name] if given.rounds is None else given.rounds for name in faults}
    # Small disks would not hold what hours of load store.
    alone = {"F7"} if given.rounds is None else set()
    parts = [{k: n for k, n in numbers.items() if (k in alone) is own} for own in (False, True)]
    return max(one_run(given, seed, part) for part in parts if part)


def one_run(given: argparse.Namespace, seed: int, numbers: Mapping[str, int]) -> int:
    """0 when every promise held."""
    print(f"seed {seed}, rounds: {', '.join(f'{name} {n}' for name, n in numbers.items())}", flush=True)
    # An hour of clients that never rest leaves two workers more than another hour of work.
    usual, quiet_s = (WHOLE_PAUSE_S, WHOLE_QUIET_S) if given.rounds is None else (0.0, QUIET_S)
    folder = new_folder()
    plan = Plan(
        seed=seed, folder=folder, defects=tuple(given.defect), sweep_s=given.sweep,
        small_disk="F7" in numbers, clocks="F9" in numbers and FAKETIME is not None,
        pause_s=usual if given.pause is None else given.pause, traverses=given.traverses, quiet_s=quiet_s,
    )  # fmt: skip
    verdict = run(plan, schedule(seed, numbers))
    tell(verdict, seed)
    if verdict.faults:
        print(f"what is left of it: {folder}")
        return 1
    shutil.rmtree(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
