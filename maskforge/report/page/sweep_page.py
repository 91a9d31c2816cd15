"""A sweep's answer on one page that needs nothing but itself."""

from markupsafe import Markup

from maskforge.report.figures.sweep import sweep_figure
from maskforge.report.page.templates import environment
from maskforge.sweep.answer import Answer
from maskforge.sweep.tables import Rows, device_lines, group_rows, label_rows, note_lines, pair_rows


def sweep_page(answer: Answer, name: str, length: float | None) -> str:
    """HTML with the figure in it; `length` of the fibre in m, or None."""
    drawn = sweep_figure(answer, name, "svg").decode()
    tables: list[tuple[str, Rows]] = [
        ("Mode groups", group_rows(answer)),
        ("Two channels", pair_rows(answer, length)),
        ("Labels", label_rows(answer)),
    ]
    return (
        environment()
        .get_template("sweep_page.html.jinja")
        .render(
            name=name,
            invented=answer.readings.invented,
            device=device_lines(answer),
            # from the first tag on: a document type has no place within a page
            figure=Markup(drawn[drawn.index("<svg") :]),
            tables=tables,
            notes=note_lines(answer),
        )
    )
