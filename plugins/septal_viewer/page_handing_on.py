"""Page Handing on: save the plan, open it, print it, pictures, the folder; open a saved plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from qtpy.QtWidgets import QCheckBox, QComboBox, QFileDialog, QListWidget

from septal_viewer.parts import Page, button, heading, row, words


@dataclass(frozen=True)
class HandingCalls:
    """What the page asks for."""

    save: Callable[[], None]
    open_pdf: Callable[[], None]
    print_pdf: Callable[[], None]
    open_folder: Callable[[], None]
    pictures: Callable[[], None]
    open_plan: Callable[[], None]


class HandingPage(Page):
    """`folder` is where the plan goes."""

    def __init__(self, calls: HandingCalls) -> None:
        super().__init__()
        self.folder: Path | None = None
        self.sentence = words()
        self.where = words(faint=True)
        self.choose = button("Folder…", "Choose the folder that the plan is written to")
        self.paper = QComboBox()
        self.paper.addItem("A4", "a4")
        self.paper.addItem("US Letter", "letter")
        self.paper.setToolTip("Paper of the printed plan")
        self.identity = QCheckBox("Print the patient's name, ID and birth date")
        self.save = button("Save the plan", "plan.json, plan.pdf, labels and pictures (Ctrl+Return)", main=True)
        self.files = QListWidget()
        self.files.setFixedHeight(118)
        self.open_pdf = button("Open the printed plan", "plan.pdf, in the program set for it")
        self.print_pdf = button("Print it", "Send plan.pdf to the printer")
        self.open_folder = button("Open the folder", "Show the files that were written")
        self.pictures = button("Save pictures of the views", "The three planes and the 3-D view, 300 dots per inch")
        self.open_plan = button("Open a saved plan…", "plan.json: its landmarks and target, on the CT that is open")

        add = self.column.addWidget
        add(heading("The plan"))
        add(self.sentence)
        add(heading("Where to"))
        add(self.where)
        self.column.addLayout(row(self.choose, self.paper, 1))
        add(self.identity)
        add(self.save)
        self.files_heading = heading("Written")
        add(self.files_heading)
        add(self.files)
        self.column.addLayout(row(self.open_pdf, self.print_pdf))
        self.column.addLayout(row(self.open_folder, 1))
        add(heading("Pictures"))
        add(self.pictures)
        add(heading("A plan made before"))
        add(self.open_plan)
        self.column.addStretch(1)
        for made, call in (
            (self.save, calls.save), (self.open_pdf, calls.open_pdf), (self.print_pdf, calls.print_pdf),
            (self.open_folder, calls.open_folder), (self.pictures, calls.pictures), (self.open_plan, calls.open_plan),
        ):  # fmt: skip
            made.clicked.connect(lambda _=False, c=call: c())
        self.choose.clicked.connect(self.ask_folder)
        self.tell(ready=False, busy=False, said="")
        self.written(())

    def ask_folder(self) -> None:
        """Let the folder be chosen."""
        chosen = QFileDialog.getExistingDirectory(self, "Folder for the plan")
        if chosen:
            self.set_folder(Path(chosen))

    def set_folder(self, folder: Path) -> None:
        """Write there from now on."""
        self.folder = folder
        self.where.setText(str(folder))

    def tell(self, *, ready: bool, busy: bool, said: str) -> None:
        """Whether there is a plan to save, and what it is."""
        self.sentence.setText(said if ready else "There is no plan yet: find the anatomy on page Marking first.")
        self.save.setEnabled(ready and not busy)
        if self.folder is None:
            self.where.setText("No folder chosen yet; it is asked for when you save.")

    def written(self, paths: Sequence[Path]) -> None:
        """The files of the last save."""
        self.files.clear()
        if paths and self.folder is not None:
            names = [p.relative_to(self.folder) for p in paths]
            self.files.addItems([str(n) for n in sorted(names, key=lambda n: (len(n.parts), n.suffix != ".pdf", n))])
        for widget in (self.files_heading, self.files, self.open_pdf, self.print_pdf, self.open_folder):
            widget.setVisible(bool(paths))
