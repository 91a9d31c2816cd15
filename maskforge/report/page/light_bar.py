"""Where the light of a mask goes, as the parts of a bar."""

from dataclasses import dataclass

from maskforge.launch.noise_budget import SHARES, Budget

LEAST = 5e-4
"""Of the beam: less is no part, as it would be thinner than a tenth of a pixel."""

NAMES = {name: title for name, title in SHARES.items() if name != "order"} | {
    "other_orders": "elsewhere on the facet"
}
"""What the parts are called.  Which order light goes to that is far from the fibre takes an FFT a
mask to tell, and is not told here."""


@dataclass(frozen=True)
class LightShare:
    """A share of the beam; `name`: that of the budget's share."""

    name: str
    share: float

    @property
    def title(self) -> str:
        return NAMES[self.name]


def parts_of(budget: Budget | None) -> tuple[LightShare, ...]:
    """The parts of a budget that does not tell orders apart; none where it is not known."""
    shares = ((name, getattr(budget, name, None) or 0.0) for name in NAMES)
    return tuple(LightShare(name, share) for name, share in shares if share >= LEAST)
