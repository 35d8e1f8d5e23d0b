"""Blocks and series take their turns: each chooses one of its candidate curves given all others (compiled).

The log likelihood of a candidate with effect g on a part of the data is g'Q(y - rest) - g'Qg / 2, where Q is
the inverse covariance of all log yields, levels, seasons and shared effects integrated out. Within a block Q
is `inverse` less `projected` times the covariance of the shared effects times `projected` turned round.
"""

# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import math

import numpy as np

from vinemap.decline.courses import HELD, RECOVERING, compiled


@compiled
def _pick(total, uniform):
    """Draw a candidate with chance in proportion to the exponential of its log weight."""
    most = total.max()
    weight = 0.0
    for j in range(total.size):
        total[j] = math.exp(total[j] - most) if total[j] > most - 40.0 else 0.0
        weight += total[j]
    left = uniform * weight
    for j in range(total.size):
        left -= total[j]
        if left <= 0.0 and total[j] > 0.0:
            return j
    return int(np.argmax(total))


@compiled
def _weigh(effect, linear, inner):
    found = 0.0
    for v in range(effect.size):
        half = 0.0
        for w in range(effect.size):
            half += inner[v, w] * effect[w]
        found += effect[v] * (linear[v] - 0.5 * half)
    return found


@compiled
def _act(curve, at, first, anchor, seen, effect):
    start = curve[at[first]] if anchor else 0.0
    for v in range(at.size):
        effect[v] = curve[at[v]] - start if seen[v] else 0.0


@compiled
def choose_series(inverse, projected, shrunk, inner, residual, score, blocks, starts, curves, present,
                  at, first, anchor, seen, fit, uniform, chosen):  # fmt: skip
    """Choose for every series (n) one of its candidates (n, J, W) in turn; updates residual and score.

    `fit` (n, J) holds what speaks for the candidates beside the yields and serves as scratch afterwards.
    """
    wide, columns, effects = at.size, inverse.shape[1], score.size
    linear, effect, old = np.empty(wide), np.empty(wide), np.empty(wide)
    for one in range(blocks.size):
        b, start = blocks[one], starts[one]
        _act(present[one], at, first[one], anchor[one], seen[one], old)
        for v in range(wide):
            pull = 0.0
            for m in range(columns):
                pull += inverse[b, start + v, m] * residual[b, m]
            for k in range(effects):
                pull -= shrunk[b, start + v, k] * score[k]
            for w in range(wide):
                pull += inner[one, v, w] * old[w]
            linear[v] = pull
        for j in range(curves.shape[1]):
            _act(curves[one, j], at, first[one], anchor[one], seen[one], effect)
            fit[one, j] += _weigh(effect, linear, inner[one])
        chosen[one] = _pick(fit[one], uniform[one])
        _act(curves[one, chosen[one]], at, first[one], anchor[one], seen[one], effect)
        for v in range(wide):
            change = old[v] - effect[v]
            if change != 0.0:
                residual[b, start + v] += change
                for k in range(effects):
                    score[k] += change * projected[b, start + v, k]


@compiled
def choose_blocks(inverse, projected, shrunk, inner, residual, score, expand, curves, present, at, fit,
                  uniform, chosen):  # fmt: skip
    """Choose for every block (B) one of its candidates (B, J, W) in turn; updates residual and score."""
    wide, columns, effects = at.size, inverse.shape[1], score.size
    linear, effect, old = np.empty(wide), np.empty(wide), np.empty(wide)
    for b in range(inverse.shape[0]):
        for v in range(wide):
            old[v] = present[b, at[v]]
        for v in range(wide):
            linear[v] = 0.0
            for w in range(wide):
                linear[v] += inner[b, v, w] * old[w]
        for m in range(columns):
            pull = 0.0
            for other in range(columns):
                pull += inverse[b, m, other] * residual[b, other]
            for k in range(effects):
                pull -= shrunk[b, m, k] * score[k]
            for v in range(wide):
                linear[v] += expand[b, m, v] * pull
        for j in range(curves.shape[1]):
            for v in range(wide):
                effect[v] = curves[b, j, at[v]]
            fit[b, j] += _weigh(effect, linear, inner[b])
        chosen[b] = _pick(fit[b], uniform[b])
        for m in range(columns):
            change = 0.0
            for v in range(wide):
                change += expand[b, m, v] * (old[v] - curves[b, chosen[b], at[v]])
            if change != 0.0:
                residual[b, m] += change
                for k in range(effects):
                    score[k] += change * projected[b, m, k]


@compiled
def add_prior(family, rate, log_mix, log_share, log_rest, fit):
    """Add the log prior of candidates (n, J): held, or declining (n) times mix of kinds and rates."""
    for one in range(family.shape[0]):
        for j in range(family.shape[1]):
            kind = family[one, j]
            if kind == HELD:
                fit[one, j] += log_rest[one]
            else:
                fit[one, j] += log_mix[kind, rate[one, j]] + (log_share[one] if kind != RECOVERING else 0.0)


@compiled
def add_symptoms(curves, owner, rest, when, table, fit):
    """Add what counts of symptoms say about candidates (n, J, W) of the owners of rows.

    `rest` (rows, W) is what the zone loses by its other curves, `table` (rows, counts, losses) the log
    likelihood by loss in %, `when` (rows, counts) its column.
    """
    for row in range(owner.size):
        who = owner[row]
        for j in range(curves.shape[1]):
            for count in range(when.shape[1]):
                column = when[row, count]
                loss = 100.0 * (1.0 - math.exp(curves[who, j, column] + rest[row, column]))
                fit[who, j] += table[row, count, int(loss + 0.5)]


@compiled
def add_signs(curves, owner, rest, when, left, seen, slope, precision, fit):
    """Add what signs of the loss (rows) say about candidates (n, J, W) of the owners of rows.

    `left` (rows, V) is the sign less season and level, 0 where not `seen`; `when` (V) the column, `rest`
    (rows, W) what the zone loses by its other curves. The level of the zone is free: only departures from its
    mean count.
    """
    for row in range(owner.size):
        who = owner[row]
        count = seen[row].sum()
        for j in range(curves.shape[1]):
            mean = 0.0
            for v in range(when.size):
                if seen[row, v]:
                    mean += (curves[who, j, when[v]] + rest[row, when[v]]) / count
            squares = 0.0
            for v in range(when.size):
                if seen[row, v]:
                    away = curves[who, j, when[v]] + rest[row, when[v]] - mean
                    squares += (left[row, v] - slope[row] * away) ** 2
            fit[who, j] -= 0.5 * precision[row] * squares
