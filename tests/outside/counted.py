"""Checks of a number against what is allowed, counted; what fails is said at once, the sum at the end."""

import sys

passed = failed = 0


def check(name, worst, limit):
    global passed, failed
    if worst <= limit:
        passed += 1
    else:
        failed += 1
        print(f"FAILED {name}: off by {worst:.4g}, allowed {limit:.4g}")


def finish():
    print(f"{passed} passed, {failed} failed")
    sys.exit(failed > 0)
