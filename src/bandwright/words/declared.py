"""Everything that `site.toml` declares, as one frozen value."""

from __future__ import annotations

from dataclasses import dataclass, field

from bandwright.words.campaign import Allowance
from bandwright.words.rig import GatewayPlan, Rig, Setup, Tuning
from bandwright.words.settings import defaults
from bandwright.words.site import Line, Mast, Need, Site

__all__ = ["CampaignPlan", "Declared", "FarEndPlan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FarEndPlan:
    """Where measurements go. address: host:port of a far end of ours. Without one, any HTTPS address the user declares."""

    address: str | None = None
    download_url: str | None = None
    upload_url: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignPlan:
    """The [campaign] section: what a trial may use and how sure it must be."""

    indifference: float = 0.10
    risk: float = 0.05
    allowance: Allowance = field(default_factory=Allowance)
    seed: int = 0
    in_use: str | None = None
    mounted: str | None = None
    rigs_at_once: tuple[tuple[str, ...], ...] = ()
    by_hand: bool = False
    prove_equal: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """A site as its user declares it. setups: every rig with every tuning its gateway can take."""

    site: Site
    needs: tuple[Need, ...] = ()
    lines: tuple[Line, ...] = ()
    gateways: tuple[GatewayPlan, ...] = ()
    rigs: tuple[Rig, ...] = ()
    tunings: tuple[Tuning, ...] = ()
    setups: tuple[Setup, ...] = ()
    campaign: CampaignPlan = field(default_factory=CampaignPlan)
    far_end: FarEndPlan = field(default_factory=FarEndPlan)
    settings: dict[str, float | int | str | bool] = field(default_factory=defaults)
    masts: tuple[Mast, ...] = ()

    def rig(self, key: str) -> Rig:
        """Return the rig of that key. Raises KeyError."""
        return {r.key: r for r in self.rigs}[key]

    def gateway(self, key: str) -> GatewayPlan:
        """Return the gateway of that key. Raises KeyError."""
        return {g.key: g for g in self.gateways}[key]

    def tuning(self, key: str) -> Tuning:
        """Return the tuning of that key. Raises KeyError."""
        return {t.key: t for t in self.tunings}[key]

    def setup(self, key: str) -> Setup:
        """Return the setup of that key. Raises KeyError."""
        return {s.key: s for s in self.setups}[key]
