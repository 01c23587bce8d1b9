"""What was found: one line per component, more fields where there is more to say."""

from collections.abc import Callable, Iterable
from typing import Any

import ipywidgets as widgets  # type: ignore[import-untyped]

from reliability.records.tables import TABLES
from reliability.report.form.answers import Spot
from reliability.report.form.fields import Field, boxes, choice, grid, heading, line, offered, tick
from reliability.report.form.parts import YEARS

_FINDINGS = TABLES["findings"]
_FOUND = [("sound", "sound"), ("worn: works, but is replaced", "worn"), ("failed", "failed")]
_BY_STATE = ("arose", "action", "part_cost", "part_source")


class FindingRow:
    """One component of the unit.

    Parameters
    ----------
    component : str
        Its name; empty for a row whose component is still to be named.
    known : iterable of str
        Components to offer for such a row.
    number : int
        Of such a row, so that no two fields are called the same.
    """

    def __init__(self, component: str = "", known: Iterable[str] = (), number: int = 0) -> None:
        self._component = component
        what = component or f"further {number}"
        self.name = offered(f"Further component {number}", known, hint="or a second one, with its position")
        self.is_new = tick(f"Further {number} is new to the ledger")
        self.found = choice(component or f"{what}: state", _FOUND, blank="not examined")
        self._more = {
            "position": line(f"{what}: position", hint="left, right …"),
            "original": choice(f"{what}: original part?", _FINDINGS["original"].allowed),
            "fitted": line(f"{what}: fitted in", hint=YEARS),
            "arose": choice(f"{what}: failed when?", ("as received", "during work"), blank=""),
            "action": choice(f"{what}: what was done", _FINDINGS["action"].allowed),
            "part_cost": line(f"{what}: part cost", hint="4.50"),
            "part_source": choice(f"{what}: part was", _FINDINGS["part_source"].allowed),
        }
        self.head = self.found.box if component else grid([self.name, self.is_new, self.found])
        self.details = grid(self._more.values(), "10rem")
        self._unfold()
        for each in (self.found, self._more["original"], self.name):
            each.on_change(self._unfold)

    def _unfold(self) -> None:
        """Ask only what the state leaves to be asked."""
        state = self.found.value
        is_bad = state in ("worn", "failed")
        self.details.layout.display = "none" if state is None else None
        # Of a sound part one thing is asked; such questions stand side by side.
        self.details.layout.grid_column = "1 / -1" if is_bad or not self._component else None
        self._more["position"].show(is_bad or not self._component)
        self._more["fitted"].show(self._more["original"].value == "no")
        for column in _BY_STATE:
            self._more[column].show(is_bad and (column != "arose" or state == "failed"))

    @property
    def is_said(self) -> bool:
        """Whether the row says anything."""
        return bool(self.found.value or self.name.value)

    @property
    def fields(self) -> list[Field]:
        """All of them."""
        return [self.name, self.is_new, self.found, *self._more.values()]

    def row(self) -> dict[str, Any]:
        """Give the finding; fields that are folded away say nothing."""
        state = self.found.value
        said: dict[str, Any] = {"component": self._component or self.name.value or "", "found": state}
        columns = ["original"] if state == "sound" and self._component else ["position", "original"]
        columns += ["fitted"] if self._more["original"].value == "no" else []
        columns += [each for each in _BY_STATE if state == "failed" or (state == "worn" and each != "arose")]
        said |= {column: self._more[column].value for column in columns}
        said["is_new"] = self.is_new.is_ticked
        return {name: value for name, value in said.items() if value is not None}

    def spots(self, number: int) -> dict[Spot, Field]:
        """Which field shows the faults of which column of the finding with this number."""
        found = {Spot("finding", number, column): field for column, field in self._more.items()}
        found |= {
            Spot("finding", number, each): self._more["fitted"] for each in ("fitted_from", "fitted_to")
        }
        found[Spot("finding", number, "component")] = self.found if self._component else self.name
        return found | {Spot("finding", number, "found"): self.found}

    def fill(self, row: dict[str, Any]) -> None:
        """Show a finding that the ledger holds."""
        years = [str(row[each]) for each in ("fitted_from", "fitted_to") if row[each] is not None]
        self.name.put(row["component"])
        for column in ("position", "original", *_BY_STATE):
            self._more[column].put(None if row[column] is None else str(row[column]))
        self._more["fitted"].put("-".join(dict.fromkeys(years)) or None)
        self.found.put(row["found"])


class FindingsPart:
    """The usual components of the unit's kind, and any others.

    Parameters
    ----------
    components : iterable of str
        Known ones, offered for further rows.
    cautions : str
        Markup that stands before the rows.
    on_new_row : callable
        Told of each row that is added, to watch its fields.
    """

    def __init__(
        self, components: Iterable[str], cautions: str, on_new_row: Callable[[FindingRow], object]
    ) -> None:
        self._known = sorted(components)
        self._on_new_row = on_new_row
        self._usual: dict[str, FindingRow] = {}
        self._others: list[FindingRow] = []
        self.cautions = widgets.HTML(cautions)
        self._states = boxes([])
        self._details = boxes([])
        self._further = widgets.VBox([])
        self.rest_sound = widgets.Button(
            description="All others were examined and are sound", layout=widgets.Layout(width="auto")
        )
        self.another = widgets.Button(
            description="Add a further component", layout=widgets.Layout(width="auto")
        )
        self.rest_sound.on_click(lambda _: self._call_rest_sound())
        self.another.on_click(lambda _: self.add_row())
        self.box = widgets.VBox(
            [
                heading(
                    "What was found",
                    '<p class="bench-soft">Leave what nobody examined as it is: it counts neither way.</p>',
                ),
                self.cautions,
                self._states,
                self._details,
                self._further,
                widgets.HBox([self.rest_sound, self.another], layout=widgets.Layout(flex_flow="row wrap")),
            ]
        )

    def ask_for(self, components: Iterable[str]) -> None:
        """Show these usual components; what was said of those that stay, stays."""
        before = self._usual
        self._usual = {}
        for component in components:
            self._usual[component] = before.get(component) or self._made(FindingRow(component))
        self._lay()

    def add_row(self) -> FindingRow:
        """Add a row for a component that is not among the usual ones, or for a second one of them."""
        row = self._made(FindingRow(known=self._known, number=len(self._others) + 1))
        self._others.append(row)
        self._lay()
        return row

    def _made(self, row: FindingRow) -> FindingRow:
        self._on_new_row(row)
        return row

    def _lay(self) -> None:
        self._states.children = [row.head for row in self._usual.values()]
        self._details.children = [row.details for row in self._usual.values()]
        self._further.children = [box for row in self._others for box in (row.head, row.details)]

    def _call_rest_sound(self) -> None:
        for row in self._usual.values():
            if row.found.value is None:
                row.found.put("sound")

    def rows(self) -> list[dict[str, Any]]:
        """Give what was found, row by row."""
        return [row.row() for row in self._said()]

    def _said(self) -> list[FindingRow]:
        return [row for row in (*self._usual.values(), *self._others) if row.is_said]

    @property
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which row, in the order of `rows`."""
        found: dict[Spot, Field] = {}
        for number, row in enumerate(self._said()):
            found |= row.spots(number)
        return found

    @property
    def fields(self) -> list[Field]:
        """All of them."""
        return [field for row in (*self._usual.values(), *self._others) for field in row.fields]

    def fill(self, rows: Iterable[dict[str, Any]]) -> None:
        """Show the findings that the ledger holds of an open job."""
        for row in rows:
            usual = self._usual.get(row["component"])
            is_free = usual is not None and not usual.is_said and not row["position"]
            (usual if is_free and usual is not None else self.add_row()).fill(row)

    def clear(self) -> None:
        """Forget everything that was found."""
        self._usual, self._others = {}, []
        self._lay()
