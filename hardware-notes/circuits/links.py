#!/usr/bin/env python3
"""Links of the hardware notes must lead to a file, and to a heading in it where they name one.

    links.py [FOLDER]    without one, the hardware notes

Prints what does not; exit status 1 where something doesn't. Standard library only.
"""

import re
import sys
from pathlib import Path

NOTES = Path(__file__).resolve().parent.parent
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")


def anchors(page):
    """Headings as a forge names them: lower case, no punctuation, hyphens for spaces."""
    heads = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def main(notes):
    """Exit status."""
    wrong, count = [], 0
    pages = [p for p in notes.rglob("*.md") if "target" not in p.relative_to(notes).parts]
    for page in sorted(pages):
        for target in LINK.findall(page.read_text(encoding="utf-8")):
            if "://" in target:
                continue
            count += 1
            name, _, anchor = target.partition("#")
            file = (page.parent / name).resolve() if name else page
            where = f"{page.relative_to(notes)}: {target}"
            if not file.exists():
                wrong.append(f"{where}: there is no such file")
            elif anchor and file.suffix == ".md" and anchor not in anchors(file):
                wrong.append(f"{where}: there is no such heading")
    for fault in wrong:
        print(fault)
    if not count:
        print(f"no links found under {notes}: the check would be blind")
        return 1
    if not wrong:
        print(f"links.py: {count} links lead somewhere")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]).resolve() if sys.argv[1:] else NOTES))
