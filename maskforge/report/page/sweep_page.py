"""A sweep's answer on one page that needs nothing but itself."""

from markupsafe import Markup

from maskforge.report.figures.sweep import sweep_figure
from maskforge.report.page.sweep_pictures import HEIGHT, WIDTH, pictures_of
from maskforge.report.page.templates import environment
from maskforge.sweep.answer import Answer
from maskforge.sweep.tables import (
    Rows,
    device_lines,
    group_rows,
    label_rows,
    note_lines,
    pair_rows,
)


def sweep_page(answer: Answer, name: str, length: float | None) -> str:
    """HTML with the figures in it; `length` of the fibre in m, or None."""
    drawn = sweep_figure(answer, name, "svg").decode()
    header, rows = label_rows(answer)
    last_first = reversed(answer.labels)
    pictures = [pictures_of(figures) for figures in answer.labels]
    return (
        environment()
        .get_template("sweep_page.html.jinja")
        .render(
            name=name,
            invented=answer.readings.invented,
            passes=answer.readings.passes,
            ports=answer.ports,
            device=device_lines(answer),
            # from the first tag on: a document type has no place within a page
            figure=Markup(drawn[drawn.index("<svg") :]),
            tables=[
                ("groups", "Mode groups", _in_one_line(group_rows(answer))),
                ("pairs", "Two channels", _in_one_line(pair_rows(answer, length))),
            ],
            header=_in_one_line((header, rows))[0],
            first_of={str(one.course.label.group): one.course.label.name for one in last_first},
            labels=list(zip(rows, pictures, strict=True)),
            box=(WIDTH, HEIGHT),
            notes=note_lines(answer),
        )
    )


def _in_one_line(table: Rows) -> Rows:
    """Headings that were broken, also within a word, for narrow columns."""
    header, rows = table
    return [cell.replace("-\n", "").replace("\n", " ") for cell in header], rows
