"""The power path as a one-line diagram: battery, fuse, cable, distribution, amplifier, returns.

Plain SVG with presentation attributes and the current text colour, so that the screen and the PDF
show the same. Classes (`node`, `run`, `fuse`, `stop`, `caution`) are hooks for a style sheet; what
they say is also said by shape and word.
"""

from collections.abc import Mapping
from typing import Final, NamedTuple

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext

from jobs import wording
from jobs.plan.power import FACTORY_FEED, PowerSolution, doc
from jobs.plan.spoken import spoken
from shop.kept_words import told
from shop.units import FACTORS

NODE_W: Final = 132.0
NODE_H: Final = 52.0
GAP_W: Final = 222.0
ROW_H: Final = 84.0
HEAD_H: Final = 26.0
MARGIN: Final = 2.0
INDENT: Final = 54.0
UPRIGHT_W: Final = 196.0
UPRIGHT_H: Final = 62.0
WORDS_H: Final = 18.0
BODY: Final = "body"
BATTERY: Final = "battery"
_LONGEST_NAME: Final = 19


class Edge(NamedTuple):
    """A line between two nodes; `run` is None where the car's body itself leads back."""

    parent: str
    child: str
    run: doc.Run | None


class Box(NamedTuple):
    """A node in its place."""

    node: str
    x: float
    y: float


def _edges(plan: doc.Plan, kind: str) -> list[Edge]:
    """The lines of one kind, each from the battery's side outwards."""
    edges = []
    for run in plan.runs:
        if run.kind == kind:
            near, far = run.from_node, run.to_node
            edges.append(Edge(near, far, run) if kind == "feed" else Edge(far, near, run))
    if kind == "return":
        grounded = any(edge.parent == BODY for edge in edges)
        reached = any(edge.child == BODY for edge in edges)
        if grounded and not reached:
            edges.append(Edge(BATTERY, BODY, None))
    return edges


class _Tree:
    """Nodes set out in columns from the battery, one row an end; what hangs loose comes after."""

    def __init__(self, edges: list[Edge]) -> None:
        self.children: dict[str, list[Edge]] = {}
        for edge in edges:
            self.children.setdefault(edge.parent, []).append(edge)
        self.boxes: dict[str, Box] = {}
        self.drawn: list[Edge] = []
        self.rows = 0
        self.columns = 0
        inner = {edge.child for edge in edges}
        roots = [node for node in self.children if node not in inner]
        roots.sort(key=lambda node: node != BATTERY)
        for root in roots or list(self.children)[:1]:
            self._set(root, 0)

    def _set(self, node: str, column: int) -> float:
        first = self.rows
        self.columns = max(self.columns, column + 1)
        self.boxes[node] = Box(node, 0.0, 0.0)
        heights = []
        for edge in self.children.get(node, ()):
            self.drawn.append(edge)
            if edge.child not in self.boxes:
                heights.append(self._set(edge.child, column + 1))
        if not heights:
            self.rows = first + 1
        y = sum((heights[0], heights[-1])) / 2 if heights else first * ROW_H
        self.boxes[node] = Box(node, MARGIN + column * (NODE_W + GAP_W), y)
        return y

    @property
    def width(self) -> float:
        return 2 * MARGIN + self.columns * NODE_W + max(0, self.columns - 1) * GAP_W

    @property
    def height(self) -> float:
        return self.rows * ROW_H


class _Drawing:
    """What the parts of one drawing share."""

    def __init__(
        self,
        plan: doc.Plan,
        solution: PowerSolution | None,
        unit: str,
        marks: Mapping[str, str],
    ) -> None:
        self.plan = plan
        self.solution = solution
        self.unit = unit
        self.marks = marks
        self.devices = {device.id: device for device in plan.devices}
        lowest = (
            min(
                ((state.voltage_v, name) for name, state in solution.devices.items()),
                default=None,
            )
            if solution
            else None
        )
        self.worst = lowest[1] if lowest else ""

    def tree(self, tree: _Tree, top: float, returns: bool) -> SafeString:
        lines = format_html_join(
            "", "{}", ((self._line(tree, edge, top, returns),) for edge in tree.drawn)
        )
        boxes = format_html_join(
            "", "{}", ((self._box(box, top, returns),) for box in tree.boxes.values())
        )
        return format_html("{}{}", lines, boxes)

    def _name(self, node: str) -> tuple[str, str]:
        if node == BATTERY:
            return "Battery", ""
        if node == BODY:
            return "Car body", ""
        if node == FACTORY_FEED:
            return "Factory feed", "the car's own wire"
        device = self.devices.get(node)
        if device is None:
            return _short(node), ""
        return node, _short(device.name)

    def _volts(self, node: str, returns: bool) -> str:
        if self.solution is None:
            return ""
        if not returns and node in self.solution.devices:
            return wording.quantity(self.solution.devices[node].voltage_v, "V", 2)
        table = self.solution.return_v if returns else self.solution.node_v
        if node == BATTERY and returns:
            return ""
        volts = table.get(node)
        if volts is None:
            return ""
        volts_text = wording.signed(volts, 2) if returns else wording.number(volts, 2)
        return wording.with_unit(volts_text, "V")

    def upright(self, tree: _Tree, top: float, returns: bool) -> tuple[SafeString, float, float]:
        """The tree with each node under the one before it, further in; then its width and foot.

        Every line has its words above the node it leads to, so that nothing is beside it.
        """
        parts: list[SafeString] = []
        placed: dict[str, tuple[float, float]] = {}
        foot, wide = top, 0.0
        led = {edge.child for edge in tree.drawn}
        order: list[tuple[str, Edge | None]] = []
        for edge in tree.drawn:
            if edge.parent not in led and all(edge.parent != node for node, _ in order):
                order.append((edge.parent, None))
            order.append((edge.child, edge))
        for node, way in order:
            words = self._said(way) if way is not None else []
            left, above = placed.get(way.parent, (MARGIN, top)) if way is not None else (0.0, top)
            x = left + INDENT if way is not None else MARGIN
            for text, weight in words:
                foot += WORDS_H
                parts.append(_text(x, foot, text, 14, weight))
            y = foot + (6 if words else 0)
            if way is not None:
                middle = y + UPRIGHT_H / 2
                points = f"{left + 16:g},{above:g} {left + 16:g},{middle:g} {x:g},{middle:g}"
                parts.append(self._wire(way.run, points, returns))
                if way.run is not None and way.run.fuse is not None:
                    parts.append(_fuse_mark(left + 18, middle))
            parts.append(self._node(node, x, y, UPRIGHT_W, UPRIGHT_H, returns, (15, 14, 14)))
            foot = y + UPRIGHT_H
            placed.setdefault(node, (x, foot))
            foot += 8
            wide = max(wide, x + UPRIGHT_W + MARGIN)
        return format_html_join("", "{}", ((part,) for part in parts)), wide, foot

    def _said(self, edge: Edge) -> list[tuple[str, int]]:
        """The words of a line, a row each, and how bold."""
        run = edge.run
        if run is None:
            return [("by the body", 400)]
        above, below = self._words(run)
        fuses = [
            f"fuse {wording.quantity(one.rating_a, 'A')}{where}"
            for one, where in ((run.fuse, ""), (run.far_fuse, " at the far end"))
            if one is not None
        ]
        name, _, size = above.partition("  ")
        severity = self.marks.get(run.id, "").upper()
        rows = [(" · ".join([name, *fuses]), 700), (size, 400), (below, 400), (severity, 700)]
        return [(text, weight) for text, weight in rows if text]

    def _box(self, box: Box, top: float, returns: bool) -> SafeString:
        y = top + box.y + (ROW_H - NODE_H) / 2
        return self._node(box.node, box.x, y, NODE_W, NODE_H, returns, (13.5, 11, 12))

    def _node(
        self,
        node: str,
        x: float,
        y: float,
        width: float,
        height: float,
        returns: bool,
        sizes: tuple[float, float, float],
    ) -> SafeString:
        name, detail = self._name(node)
        volts = self._volts(node, returns)
        lowest = not returns and node == self.worst and len(self.devices) > 1
        second = " · ".join(filter(None, [volts, "lowest" if lowest else ""]))
        rows = [(name, sizes[0], 700)]
        if detail:
            rows.append((detail, sizes[1], 400))
        if second:
            rows.append((second, sizes[2], 700 if lowest else 400))
        step = sizes[2] * 1.25
        first = y + height / 2 + 4.5 - step * (len(rows) - 1) / 2
        return format_html(
            '<g class="node"><rect x="{}" y="{}" width="{}" height="{}" rx="5" fill="none" '
            'stroke="currentColor" stroke-width="{}"/>{}</g>',
            f"{x:g}",
            f"{y:g}",
            f"{width:g}",
            f"{height:g}",
            "2" if node in {BATTERY, *self.devices} else "1.2",
            format_html_join(
                "",
                '<text x="{}" y="{}" text-anchor="middle" fill="currentColor" font-size="{}" '
                'font-weight="{}">{}</text>',
                (
                    (f"{x + width / 2:g}", f"{first + step * index:g}", size, weight, text)
                    for index, (text, size, weight) in enumerate(rows)
                ),
            ),
        )

    def _line(self, tree: _Tree, edge: Edge, top: float, returns: bool) -> SafeString:
        start, end = tree.boxes[edge.parent], tree.boxes[edge.child]
        x1, y1 = start.x + NODE_W, top + start.y + ROW_H / 2
        x2, y2 = end.x, top + end.y + ROW_H / 2
        bend = x1 + 14
        run = edge.run
        severity = self.marks.get(run.id, "") if run is not None else ""
        points = f"{x1:g},{y1:g} {bend:g},{y1:g} {bend:g},{y2:g} {x2:g},{y2:g}"
        line = self._wire(run, points, returns)
        if run is None:
            return format_html("{}{}", line, _text(bend + 8, y2 - 8, "by the body", 11))
        fuse = self._fuse(run.fuse, bend + 8, y2) if run.fuse is not None else SafeString("")
        if run.far_fuse is not None:
            fuse = format_html("{}{}", fuse, self._fuse(run.far_fuse, x2 - 42, y2))
        left = bend + (52 if run.fuse is not None else 8)
        above, below = self._words(run)
        return format_html(
            "{}{}{}{}{}",
            line,
            fuse,
            _text(left, y2 - 23, severity.upper(), 11, 700) if severity else "",
            _text(left, y2 - 8, above, 12),
            _text(left, y2 + 17, below, 11, 700 if severity else 400),
        )

    def _wire(self, run: doc.Run | None, points: str, returns: bool) -> SafeString:
        return format_html(
            '<polyline class="run {}" points="{}" fill="none" stroke="currentColor" '
            'stroke-width="{}"{}/>',
            self.marks.get(run.id, "") if run is not None else "",
            points,
            "3" if run is not None else "1.5",
            SafeString(' stroke-dasharray="9 4"') if returns else "",
        )

    def _words(self, run: doc.Run) -> tuple[str, str]:
        size = wording.size(run.conductor.size)
        count = wording.times(run.parallel)
        metal = " CCA" if run.conductor.metal == "copper_clad_aluminium" else ""
        length = wording.quantity(run.length_m / FACTORS[self.unit], self.unit, figures=3)
        above = f"{run.id}  {count}{size}{metal}  {length}"
        state = self.solution.runs.get(run.id) if self.solution else None
        if state is None or run.id not in self._led:
            return above, ""
        current = wording.quantity(abs(state.current_a), "A", 0)
        return above, f"{current} · {wording.quantity(abs(state.drop_v), 'V', 2)} lost"

    @property
    def _led(self) -> set[str]:
        """Runs that carry something."""
        if self.solution is None:
            return set()
        return {name for name, state in self.solution.runs.items() if abs(state.current_a) > 0}

    def _fuse(self, fuse: doc.Fuse, x: float, y: float) -> SafeString:
        rating = wording.quantity(fuse.rating_a, "A")
        return format_html(
            "{}{}", _fuse_mark(x, y), _text(x + 17, y - 12, rating, 12, 700, "middle")
        )


def _fuse_mark(x: float, y: float) -> SafeString:
    return format_html(
        '<g class="fuse"><rect x="{}" y="{}" width="34" height="14" rx="2" fill="none" '
        'stroke="currentColor" stroke-width="1.8"/>'
        '<path d="M{} {}h34" stroke="currentColor" stroke-width="1.8" fill="none"/></g>',
        f"{x:g}",
        f"{y - 7:g}",
        f"{x:g}",
        f"{y:g}",
    )


def _text(
    x: float, y: float, words: str, size: float, weight: int = 400, anchor: str = "start"
) -> SafeString:
    if not words:
        return SafeString("")
    return format_html(
        '<text x="{}" y="{}" text-anchor="{}" fill="currentColor" font-size="{}" '
        'font-weight="{}">{}</text>',
        f"{x:g}",
        f"{y:g}",
        anchor,
        f"{size:g}",
        weight,
        words,
    )


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1].rstrip() + "…"


def _told(plan: doc.Plan, solution: PowerSolution | None) -> str:
    """The drawing in words."""
    phrases = []
    for run in plan.runs:
        fuse = f", fuse {wording.quantity(run.fuse.rating_a, 'A')}" if run.fuse else ""
        if run.far_fuse:
            fuse += f", fuse {wording.quantity(run.far_fuse.rating_a, 'A')} at its far end"
        phrases.append(
            f"{run.id} {run.kind} from {run.from_node} to {run.to_node}, "
            f"{wording.size(run.conductor.size)}, "
            f"{wording.quantity(run.length_m, 'm', figures=3)}{fuse}"
        )
    if solution is not None:
        phrases += [
            f"{name} gets {wording.quantity(state.voltage_v, 'V', 2)}"
            for name, state in solution.devices.items()
        ]
    said = "; ".join(map(told, phrases))
    return gettext("Power path. %(runs)s") % {"runs": said}


def power_path(
    plan: doc.Plan,
    solution: PowerSolution | None = None,
    *,
    unit: str = "m",
    marks: Mapping[str, str] | None = None,
    upright: bool = False,
) -> SafeString:
    """The power path of a plan as an SVG; empty text when the plan has no run.

    It goes from left to right, or down a narrow page when `upright`.

    `solution` puts currents, drops and voltages on it, the lowest voltage marked. `unit` is "m"
    or "ft". `marks` names runs with an open stop or caution.
    """
    if not plan.runs:
        return SafeString("")
    drawing = _Drawing(plan, solution, unit, marks or {})
    parts: list[SafeString] = []
    top, width = 0.0, 0.0
    for kind, title, said in (
        ("feed", "Feed", ""),
        ("return", "Return", "volts above the battery's negative"),
    ):
        tree = _Tree(_edges(plan, kind))
        if not tree.boxes:
            continue
        if upright:
            top += WORDS_H
            parts.append(_text(MARGIN, top, title, 15, 700))
            if said:
                top += WORDS_H
                parts.append(_text(MARGIN, top, said, 14))
            drawn, wide, top = drawing.upright(tree, top + 8, kind == "return")
        else:
            parts.append(_text(MARGIN, top + 16, ", ".join(filter(None, [title, said])), 12, 700))
            drawn, wide = drawing.tree(tree, top + HEAD_H, kind == "return"), tree.width
            top += HEAD_H + tree.height
        parts.append(drawn)
        width = max(width, wide)
    svg = format_html(
        '<svg class="power-path {}" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {} {}" '
        'role="img" aria-label="{}">{}</svg>',
        "upright" if upright else "along",
        f"{width:g}",
        f"{top:g}",
        _told(plan, solution),
        format_html_join("", "{}", ((part,) for part in parts)),
    )
    return SafeString(spoken(svg))
