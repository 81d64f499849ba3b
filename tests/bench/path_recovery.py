"""How often a path is read right, how well its sizes are known, and how long it takes.

Random tangent-continuous chains with known truth: pieces, break points and radii are compared with the truth, with the
Cramér-Rao bound of the joint chain (its Jacobian taken here by differences of this file's own geometry) and with a 1 %
likelihood-ratio test between the found reading and the true one. Run: python tests/bench/path_recovery.py [--chains 100]
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np

from fit.paths import PathFit, fit_path
from fit.paths.plan import Edge, Plan, fit_plan, free_numbers
from fit.points import Points

Start = tuple[float, float, float] | np.ndarray
START = (40.0, -30.0, 0.3)
CHI2_99 = {0: 6.63, 1: 6.63, 2: 9.21, 3: 11.34, 4: 13.28, 5: 15.09}


@dataclass(frozen=True)
class Truth:
    """kinds such as LALAL; pieces (K, 2) of length and curvature; points (N, 2); at (N,) true place along the chain."""

    kinds: str
    pieces: np.ndarray
    points: np.ndarray
    at: np.ndarray


def place(pieces: np.ndarray, at: np.ndarray, start: Start = (0.0, 0.0, 0.0)) -> tuple[np.ndarray, np.ndarray]:
    """Places (N, 2) and headings (N,) along a chain that starts at x, y, heading."""
    ends = np.concatenate([[0.0], np.cumsum(pieces[:, 0])])
    piece = np.clip(np.searchsorted(ends, at, side="right") - 1, 0, len(pieces) - 1)
    return local(pieces, piece, at - ends[piece], start)


def local(pieces: np.ndarray, piece: np.ndarray, s: np.ndarray, start: Start) -> tuple[np.ndarray, np.ndarray]:
    """Places and headings a length s into the given pieces, by plain circle geometry."""
    x, y, heading = start
    corner, headings = [], []
    for length, kappa in pieces:
        corner.append((x, y))
        headings.append(heading)
        x, y, heading = stepped(x, y, heading, length, kappa)
    out = np.array([stepped(*corner[p], headings[p], d, pieces[p, 1]) for p, d in zip(piece, s, strict=True)])
    return out[:, :2], out[:, 2]


def stepped(x: float, y: float, heading: float, length: float, kappa: float) -> tuple[float, float, float]:
    if kappa == 0:
        return x + length * np.cos(heading), y + length * np.sin(heading), heading
    end = heading + kappa * length
    return x + (np.sin(end) - np.sin(heading)) / kappa, y - (np.cos(end) - np.cos(heading)) / kappa, end


def random_chain(
    rng: np.random.Generator, count: int, mixed: bool, radii: tuple[float, float] = (10, 200)
) -> tuple[str, np.ndarray]:
    """Lines of 20–150 mm and arcs (radius log-uniform, turn 15–110°); mixed chains may hold arcs in a row."""
    kinds, pieces, last = "", [], 0.0
    for i in range(count):
        line = (i % 2 == 0) if not mixed else (not kinds or kinds[-1] != "L") and rng.random() > 0.3
        if line:
            pieces.append((rng.uniform(20, 150), 0.0))
            last = 0.0
        else:
            while True:
                radius = np.exp(rng.uniform(*np.log(radii)))
                turn = np.radians(rng.uniform(15, 110)) * rng.choice([-1, 1])
                kappa = np.sign(turn) / radius
                if last == 0 or abs(kappa - last) > 0.3 * abs(last):
                    break
            pieces.append((abs(turn) * radius, kappa))
            last = kappa
        kinds += "L" if line else "A"
    return kinds, np.array(pieces)


def walked(rng: np.random.Generator, count: int, n: int, noise: float, mixed: bool) -> Truth:
    kinds, pieces = random_chain(rng, count, mixed)
    total = pieces[:, 0].sum()
    at = np.sort((np.arange(n) + 0.5 + rng.uniform(-0.3, 0.3, n)) * total / n)
    points, _ = place(pieces, at, START)
    return Truth(kinds, pieces, points + rng.normal(0, noise, (n, 2)), at)


def kinds_of(path: PathFit) -> str:
    sharp = path.chain.corners
    return "".join(("c" if c else "") + ("A" if a else "L") for a, c in zip(path.chain.arcs, sharp, strict=True))


def true_reading(truth: Truth, noise: float) -> tuple[float, int] | None:
    """χ² and free numbers of the true pieces fitted to the points."""
    ends = np.concatenate([[0.0], np.cumsum(truth.pieces[:, 0])])
    joints, _ = place(truth.pieces, ends, START)
    bounds = np.searchsorted(truth.at, ends)
    bounds[0], bounds[-1] = 0, len(truth.at)
    edge = Edge(truth.points, np.full(len(truth.at), noise**-2.0), np.arange(len(truth.at)))
    fit = fit_plan(edge, Plan(joints, truth.pieces[:, 1], np.zeros(len(truth.pieces), bool), bounds))
    return None if fit is None else (fit.chi2, free_numbers(fit.chain.arcs, fit.chain.corners))


def cannot_tell(truth: Truth, path: PathFit, noise: float) -> bool:
    """Whether a 1 % likelihood-ratio test cannot tell the found reading from the true one."""
    true = true_reading(truth, noise)
    if true is None:
        return False
    chi2 = float((path.feature.residuals**2).sum()) / noise**2
    numbers = free_numbers(path.chain.arcs, path.chain.corners)
    return abs(chi2 - true[0]) < CHI2_99.get(abs(numbers - true[1]), 16.8)


def bound(truth: Truth, noise: float) -> np.ndarray:
    """Cramér-Rao standard deviations (K,) of the radii, NaN for lines."""
    k = len(truth.pieces)
    ends = np.concatenate([[0.0], np.cumsum(truth.pieces[:, 0])])
    piece = np.clip(np.searchsorted(ends, truth.at, side="right") - 1, 0, k - 1)
    s = truth.at - ends[piece]
    start = np.array(START)
    _, heading = local(truth.pieces, piece, s, start)
    normal = np.column_stack([-np.sin(heading), np.cos(heading)])
    columns, names = [], []
    for j in range(3 + 2 * k):
        if j >= 3 and (j - 3) % 2 == 1 and truth.pieces[(j - 3) // 2, 1] == 0:
            continue
        moved = []
        h = 1e-5 if j < 3 or (j - 3) % 2 == 0 else 1e-7
        for sign in (1, -1):
            pieces, first = truth.pieces.copy(), start.copy()
            if j < 3:
                first[j] += sign * h
            else:
                pieces[(j - 3) // 2, (j - 3) % 2] += sign * h
            moved.append(local(pieces, piece, s, first)[0])
        columns.append(((moved[0] - moved[1]) / (2 * h) * normal).sum(axis=1))
        names.append(j)
    jacobian = np.array(columns).T
    scale = np.maximum(np.linalg.norm(jacobian, axis=0), 1e-12)
    cov = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale), rcond=1e-11) * noise**2 / np.outer(scale, scale)
    radii = np.full(k, np.nan)
    for i in np.flatnonzero(truth.pieces[:, 1]):
        at = names.index(4 + 2 * i)
        radii[i] = np.sqrt(cov[at, at]) / truth.pieces[i, 1] ** 2
    return radii


def recovery(noise: float, mixed: bool, chains: int, n: int = 1000, seed: int = 1) -> None:
    rng = np.random.default_rng(seed)
    exact = told = silent = wrong = false_doubt = 0
    breaks, z_bound, ratio, held, spent = [], [], [], [], []
    for _ in range(chains):
        truth = walked(rng, 9, n, noise, mixed)
        before = time.process_time()
        path = fit_path(Points(np.column_stack([truth.points, np.zeros(n)])))
        spent.append(time.process_time() - before)
        doubt = any(notice.code == "undecided" for notice in path.notices)
        if kinds_of(path) != truth.kinds:
            close = cannot_tell(truth, path, noise)
            told, silent, wrong = told + (close and doubt), silent + (close and not doubt), wrong + (not close)
            continue
        exact += 1
        false_doubt += doubt
        joints = np.cumsum(path.chain.lengths)[:-1] - path.along[0] + truth.at[0]
        breaks += list(np.abs(joints - np.cumsum(truth.pieces[:, 0])[:-1]))
        least = bound(truth, noise)
        for i, segment in enumerate(path.feature.segments):
            length = segment.value("length")
            if 0 < i < 8:
                held.append(abs(length.value - truth.pieces[i, 0]) <= length.u95)
            if segment.kind == "arc":
                radius, true = segment.value("radius"), 1 / abs(truth.pieces[i, 1])
                inner = least[i] / true < 0.1
                held.append(abs(radius.value - true) <= radius.u95)
                if inner:
                    z_bound.append((radius.value - true) / least[i])
                    ratio.append(radius.u / least[i])
        total = path.feature.value("length")
        held.append(abs(total.value - (truth.at[-1] - truth.at[0])) <= total.u95)
    right = exact + told
    print(
        f"noise {noise:4} {'arcs in a row' if mixed else 'line, arc, …  '} | exact {exact}/{chains}, told undecided {told}, "
        f"undecided unsaid {silent}, wrong {wrong} -> right {100 * right / chains:.0f} % | doubt said on exact ones "
        f"{false_doubt} | breaks median {np.median(breaks):.3f}, 95 % {np.quantile(breaks, 0.95):.2f} mm | radius error / bound: "
        f"rms {np.sqrt(np.mean(np.square(z_bound))):.2f}, robust {np.median(np.abs(z_bound)) / 0.6745:.2f}; stated / bound "
        f"{np.median(ratio):.3f} | U95 holds {100 * np.mean(held):.1f} % of {len(held)} | cpu median {np.median(spent):.3f} s, "
        f"95 % {np.quantile(spent, 0.95):.3f} s",
        flush=True,
    )


def growth() -> None:
    """CPU time from 1000 to 100 000 points on one chain."""
    for n in (1000, 3000, 10_000, 30_000, 100_000):
        rng = np.random.default_rng(3)
        kinds, pieces = random_chain(rng, 9, False)
        at = (np.arange(n) + 0.5) * pieces[:, 0].sum() / n
        ends = np.concatenate([[0.0], np.cumsum(pieces[:, 0])])
        corner, heading = place(pieces, ends[:-1])
        piece = np.clip(np.searchsorted(ends, at, side="right") - 1, 0, len(pieces) - 1)
        s, kappa = at - ends[piece], pieces[piece, 1]
        chord = s * np.sinc(kappa * s / 2 / np.pi)
        turned = heading[piece] + kappa * s / 2
        xy = corner[piece] + np.column_stack([chord * np.cos(turned), chord * np.sin(turned)])
        points = Points(np.column_stack([xy + rng.normal(0, 0.05, (n, 2)), np.zeros(n)]))
        before = time.process_time()
        path = fit_path(points)
        print(f"{n:7d} points: {time.process_time() - before:.3f} s cpu, {kinds_of(path) == kinds}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chains", type=int, default=100)
    chains = parser.parse_args().chains
    for noise in (0.02, 0.05, 0.1, 0.2):
        for mixed in (False, True):
            recovery(noise, mixed, chains, seed=round(1000 * noise) + mixed)
    growth()


if __name__ == "__main__":
    main()
