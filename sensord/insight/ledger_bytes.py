"""A ledger as bytes and back, to be kept at a checkpoint."""

from __future__ import annotations

import json
import zlib
from dataclasses import asdict
from typing import Any

import numpy as np

from sensord.insight.balance import Floats
from sensord.insight.belief import COLUMNS, Belief
from sensord.insight.hands import Hand
from sensord.insight.ledger import Ledger, Question

_NEGLIGIBLE = 1e-9


def to_bytes(ledger: Ledger) -> bytes:
    """The ledger, its grids compressed: a few kB once something was learned."""
    head = {
        "beliefs": [_head(belief) for belief in ledger.beliefs],
        "ledger": [ledger.ln_prior, ledger.ln_prior_sd, ledger.upto_ms, ledger.entry_ms, ledger.power_since_entry,
                   ledger.filled_at_ms, ledger.fills],
        "questions": [asdict(question) for question in ledger.questions],
    }  # fmt: skip
    grids = b"".join(_packed(belief.p) for belief in ledger.beliefs)
    return json.dumps(head).encode() + b"\n" + zlib.compress(grids, 1)


def _packed(p: Floats) -> bytes:
    """Roots, so that two bytes reach from the most probable to the negligible."""
    roots = np.sqrt(np.where(p < _NEGLIGIBLE, 0.0, p) / p.max())
    return bytes(roots.astype(np.float16).tobytes())


def _unpacked(roots: Floats) -> Floats:
    return np.asarray(roots**2 / (roots**2).sum())


def _head(belief: Belief) -> list[Any]:
    numbers = [belief.ln_first, belief.full_ml, belief.step_ml, belief.full_known, belief.weighed]
    return [len(belief.p), *numbers, asdict(belief.hand), belief.ln_evidence]


def from_bytes(state: bytes) -> Ledger:
    """What ``to_bytes`` was given."""
    text, _, grids = state.partition(b"\n")
    head: dict[str, Any] = json.loads(text)
    roots = np.frombuffer(zlib.decompress(grids), np.float16).reshape(-1, COLUMNS).astype(np.float64)
    beliefs, at = [], 0
    for rows, *numbers, weighed, hand, ln_evidence in head["beliefs"]:
        weighing = tuple(weighed) if weighed else None
        ln_first, full_ml, step_ml, full_known = numbers
        p = _unpacked(roots[at : at + rows])
        beliefs.append(Belief(ln_first, full_ml, step_ml, p, full_known, weighing, Hand(**hand), ln_evidence))
        at += rows
    questions = [Question(**question) for question in head["questions"]]
    prior, prior_sd, upto_ms, entry_ms, power, filled_at_ms, fills = head["ledger"]
    return Ledger(beliefs, prior, prior_sd, upto_ms, entry_ms, power, filled_at_ms, fills, questions)
