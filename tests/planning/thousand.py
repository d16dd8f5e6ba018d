"""Plan a thousand random races and count what came of them.

``python -m tests.planning.thousand [COUNT] [FIRST SEED]``

Every outcome but a plan that holds everything, or a refusal in one line, is printed with its seed.
"""

from __future__ import annotations

import re
import sys
import time
import traceback
from collections import Counter

import numpy as np

from pacer.errors import CourseError, InfeasibleError, PacerError
from pacer.planning.plan import Plan
from pacer.workflow import make_plan
from tests.planning.holds import faults
from tests.planning.strategies import random_case

OWN_CHECK = "did not pass its own check"


def outcome(seed: int) -> tuple[str, Plan | None]:
    """A word for what came of the case of a seed, and its plan where there is one."""
    try:
        request = random_case(seed).request()
        plan = make_plan(request)
    except InfeasibleError as error:
        limit = re.sub(r"[-+]?\d[\d.]*", "#", error.limit)
        if OWN_CHECK in limit:
            return f"refused by its own check: {limit}", None
        return f"refused: {re.split(' at km| over the climb| [(]the steepest', limit)[0]}", None
    except CourseError as error:
        return f"course refused: {re.sub(r'[-+]?[0-9][0-9.]*', '#', error.what)}", None
    except PacerError as error:
        return f"{type(error).__name__}: {error}", None
    except Exception:
        traceback.print_exc()
        return "an exception that nobody meant", None
    wrong = faults(plan, request)
    return (
        "a plan that breaks something: " + "; ".join(wrong) if wrong else "a plan that holds everything"
    ), plan


def main() -> int:
    """Run and print."""
    given = [int(x) for x in sys.argv[1:]]
    count, first = [*given, *(1000, 0)[len(given) :]]
    counts: Counter[str] = Counter()
    gaps, seconds = [], []
    for seed in range(first, first + count):
        began = time.perf_counter()
        word, plan = outcome(seed)
        seconds.append(time.perf_counter() - began)
        counts[word] += 1
        if plan is not None and np.isfinite(plan.optimality.gap):
            gaps.append(plan.optimality.gap)
        if word.startswith(("a plan that breaks", "an exception", "refused by its own")):
            print(f"seed {seed}: {word}", flush=True)
    for word, number in counts.most_common():
        print(f"{number:6d}  {word}")
    spread = np.percentile(100.0 * np.array(gaps), [50, 90, 99, 100])
    print("gap to the bound, %: median {:.3f}, 90th {:.3f}, 99th {:.3f}, highest {:.3f}".format(*spread))
    print(f"seconds a case: mean {np.mean(seconds):.2f}, longest {max(seconds):.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
