"""Checks that go on after one went wrong, so that one run tells everything."""


class Checks:
    def __init__(self, name, skip):
        self.name, self.skip = name, skip
        self.right, self.wrong = 0, []

    def that(self, says, holds, *evidence):
        if holds:
            self.right += 1
        else:
            self.wrong.append(f"{says}: " + ", ".join(repr(part) for part in evidence) if evidence else says)
        return bool(holds)

    def same(self, says, found, expected):
        return self.that(says, found == expected, {"found": found, "expected": expected})

    def holds(self, says, text, *parts):
        """The text holds each part."""
        missing = [part for part in parts if part.lower() not in (text or "").lower()]
        return self.that(says, not missing, {"missing": missing, "in": text})
