"""What was found out about each rule: held, broken or not tried."""

from dataclasses import dataclass, field

from tareline.conform.rules import Rule, for_kind


@dataclass(frozen=True, slots=True)
class Breach:
    """How a rule was broken: what the device was told, what should have come, and what came."""

    sent: str
    expected: str
    came: str


@dataclass
class Verdicts:
    """Of one run. A breach stays, whatever comes later; what was never judged was not tried."""

    kind: str
    breaches: dict[str, Breach] = field(default_factory=dict)
    held: set[str] = field(default_factory=set)
    untried: dict[str, str] = field(default_factory=dict)
    ended: str = ""  # why the run ended early, if it did

    def judge(self, rule: str, holds: bool, breach: Breach) -> bool:
        if holds:
            self.held.add(rule)
        else:
            self.breaches.setdefault(rule, breach)
        return holds

    def judged(self, rule: str) -> bool:
        return rule in self.breaches or rule in self.held

    def leave(self, rule: str, why: str) -> None:
        """This rule could not be tried."""
        if not self.judged(rule):
            self.untried.setdefault(rule, why)

    def broken(self) -> list[Rule]:
        return [rule for rule in for_kind(self.kind) if rule.id in self.breaches]

    def kept(self) -> list[Rule]:
        return [rule for rule in for_kind(self.kind) if rule.id in self.held - set(self.breaches)]

    def not_tried(self) -> list[tuple[Rule, str]]:
        """Each with the reason, or with how a person tries it."""
        return [
            (rule, f"by hand: {rule.by_hand}" if rule.by_hand else self.untried.get(rule.id, "the run ended before it"))
            for rule in for_kind(self.kind)
            if not self.judged(rule.id)
        ]
