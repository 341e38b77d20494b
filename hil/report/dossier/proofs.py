"""What is known of how far the plans of a release catch broken firmware: evidence about the plans.

A campaign of seeded defects counts for a plan whose bytes are those that it was run with, and for
no other. It is about the plan, never about the firmware: it turns no requirement.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from hil.report.dossier.runs import RunFacts
from hil.report.made_with import version_words
from hil.report.site.campaigns import DefectLine, DefectsView


@dataclass(frozen=True, slots=True)
class Proof:
    """One campaign; `same_version`: made with what the runs were made with."""

    campaign: DefectsView
    same_version: bool

    @property
    def caught(self) -> tuple[DefectLine, ...]:
        """The defects that something caught."""
        return tuple(line for line in self.campaign.lines if line.item)

    @property
    def text(self) -> str:
        """What it shows, in one sentence."""
        one = self.campaign
        if one.void:
            return (
                f"void: the healthy firmware does not pass {len(one.void)} of its items, so that "
                "nothing is shown by failing others"
            )
        parts = [f"{len(self.caught)} of {len(one.lines)} seeded defects caught"]
        if one.escaped:
            parts.append(f"not caught: {', '.join(line.defect for line in one.escaped)}")
        if untried := max(one.library - len(one.lines), len(one.unsettled)):
            parts.append(f"{untried} more of the library not tried to the end")
        return "; ".join(parts)


@dataclass(frozen=True, slots=True)
class PlanProof:
    """One plan file as it was run, and the campaigns of just that file, the newest first."""

    plan: str
    sha256: str
    proofs: tuple[Proof, ...]


@dataclass(frozen=True, slots=True)
class Proofs:
    """Every plan of a release; `others`: campaigns named that are of none of them."""

    plans: tuple[PlanProof, ...]
    others: tuple[DefectsView, ...] = ()

    @property
    def remarks(self) -> tuple[str, ...]:
        """What has to be known of campaigns that were named."""
        if not self.others and not any(one.proofs for one in self.plans):
            return ()
        told = [
            f"campaign {one.name}: of {_plan(one)} in another state than any run had, or of "
            "another plan: it shows nothing here"
            for one in self.others
        ]
        for one in self.plans:
            if not one.proofs:
                told.append(f"no campaign shows what {one.plan} catches")
            elif (latest := one.proofs[0]).campaign.void or latest.campaign.escaped:
                told.append(f"{one.plan}: {latest.text} (campaign {latest.campaign.name})")
        return tuple(told)


def proofs_of(runs: Sequence[RunFacts], campaigns: Iterable[DefectsView]) -> Proofs:
    """Hold campaigns against the plan files of `runs`, by their SHA-256."""
    known = sorted(campaigns, key=lambda one: one.name, reverse=True)
    hosts = [run.record.start.host for run in runs]
    versions = {version_words(host.get("hil", ""), host.get("hil code", "")) for host in hosts}
    plans: dict[tuple[str, str], tuple[Proof, ...]] = {}
    used: set[str] = set()
    for run in runs:
        for name in run.record.start.plans:
            sha = run.record.start.hashes.get(name, "")
            own = [one for one in known if sha and sha in one.inputs.values()]
            used |= {one.name for one in own}
            plans[name, sha] = tuple(Proof(one, versions == {one.made_with}) for one in own)
    return Proofs(
        tuple(PlanProof(name, sha, found) for (name, sha), found in plans.items()),
        tuple(one for one in known if one.name not in used),
    )


def proof_facts(proofs: Proofs) -> dict[str, Any]:
    """The same as JSON data."""
    return {
        "plans": [
            {
                "plan": one.plan,
                "sha256": one.sha256,
                "campaigns": [
                    {
                        "campaign": proof.campaign.name,
                        "began": proof.campaign.utc,
                        "made-with": proof.campaign.made_with,
                        "version-of-the-runs": proof.same_version,
                        "rig": proof.campaign.rig,
                        "seed": proof.campaign.seed,
                        "simulated": True,
                        "void": list(proof.campaign.void),
                        "library": proof.campaign.library,
                        "caught": {line.defect: line.item for line in proof.caught},
                        "not-caught": [line.defect for line in proof.campaign.escaped],
                    }
                    for proof in one.proofs
                ],
            }
            for one in proofs.plans
        ],
        "of-no-plan": [one.name for one in proofs.others],
    }


def _plan(one: DefectsView) -> str:
    return one.plan.replace("\\", "/").rpartition("/")[2]
