"""A ledger as bytes and back, to be kept at a checkpoint."""

from __future__ import annotations

import json
import zlib
from dataclasses import asdict
from typing import Any

import numpy as np

from sensord.insight.belief import Belief
from sensord.insight.ledger import Ledger, Question

_NEGLIGIBLE = 1e-12


def to_bytes(ledger: Ledger) -> bytes:
    """The ledger, its grid compressed: a few kB once something was learned."""
    belief = ledger.belief
    head = {
        "shape": belief.p.shape,
        "belief": [belief.ln_first, belief.full_ml, belief.step_ml, belief.full_known, belief.weighed],
        "ledger": [ledger.ln_prior, ledger.ln_prior_sd, ledger.upto_ms, ledger.entry_ms, ledger.power_since_entry,
                   ledger.filled_at_ms, ledger.fills],
        "questions": [asdict(question) for question in ledger.questions],
    }  # fmt: skip
    grid = np.where(belief.p < _NEGLIGIBLE, 0.0, belief.p).astype(np.float32)
    return json.dumps(head).encode() + b"\n" + zlib.compress(grid.tobytes(), 1)


def from_bytes(state: bytes) -> Ledger:
    """What ``to_bytes`` was given."""
    text, _, grid = state.partition(b"\n")
    head: dict[str, Any] = json.loads(text)
    p = np.frombuffer(zlib.decompress(grid), np.float32).reshape(head["shape"]).astype(np.float64)
    ln_first, full_ml, step_ml, full_known, weighed = head["belief"]
    belief = Belief(ln_first, full_ml, step_ml, p, full_known, tuple(weighed) if weighed else None)
    prior, prior_sd, upto_ms, entry_ms, power, filled_at_ms, fills = head["ledger"]
    questions = [Question(**question) for question in head["questions"]]
    return Ledger(belief, prior, prior_sd, upto_ms, entry_ms, power, filled_at_ms, fills, questions)
