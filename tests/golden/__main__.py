"""Compare with the golden set, or make it anew: ``python -m tests.golden [--write]``.

What changed is printed by column; a commit that writes it says why.
"""

import sys

import tests.conftest  # noqa: F401  (one thread of linear algebra, as in the tests)
from tests.golden.comparing import differences
from tests.golden.making import KEPT, PARTS, kept_files


def main(write: bool) -> int:
    changes = 0
    for part, make in PARTS.items():
        made, kept = make(), kept_files(part)
        for file in sorted({*made, *kept}):
            found = differences(file, kept.get(file, ""), made.get(file, ""), exact=write)
            sys.stdout.writelines(f"{line}\n" for line in found)
            changes += len(found)
            if write and file not in made:
                (KEPT / file).unlink()
            elif write and made[file] != kept.get(file):
                (KEPT / file).parent.mkdir(parents=True, exist_ok=True)
                (KEPT / file).write_bytes(made[file].encode())
    sys.stdout.write(f"{changes} differences{', written' if write else ''}\n")
    return int(changes > 0 and not write)


if __name__ == "__main__":
    sys.exit(main("--write" in sys.argv[1:]))
