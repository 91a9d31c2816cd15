"""A sweep's answer on one page that needs nothing but itself."""

import jinja2
from markupsafe import Markup

from maskforge.report.figures.sweep import sweep_figure
from maskforge.sweep.answer import Answer
from maskforge.sweep.tables import Rows, device_lines, group_rows, label_rows, note_lines, pair_rows

PAGE = """\
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ name }}: sweep</title>
<style>
body { font: 15px/1.5 system-ui, sans-serif; color: #22282f; background: #fff;
  max-width: 72rem; margin: 2rem auto; padding: 0 1rem }
table { border-collapse: collapse; font-variant-numeric: tabular-nums }
th, td { padding: .2rem .8rem .2rem 0; text-align: right; border-bottom: 1px solid #d9dde2 }
th { vertical-align: bottom; white-space: pre-line }
th:first-child, td:first-child { text-align: left }
div.wide { overflow-x: auto }
svg { max-width: 100%; height: auto }
p.invented { font-weight: bold; border: 2px solid #a40f0f; padding: .4rem .8rem }
</style>
</head>
<body>
<h1>{{ name }}: sweep</h1>
{% if invented %}
<p class="invented">Simulated, invented data.</p>
{% endif %}
<h2>Device</h2>
<ul>
{% for line in device %}
<li>{{ line }}</li>
{% endfor %}
</ul>
{{ figure }}
{% for title, (header, rows) in tables if rows %}
<h2>{{ title }}</h2>
<div class="wide"><table>
<thead><tr>{% for cell in header %}<th>{{ cell }}</th>{% endfor %}</tr></thead>
<tbody>
{% for row in rows %}
<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}
</tbody></table></div>
{% endfor %}
<h2>How it came about</h2>
<ul>
{% for line in notes %}
<li>{{ line }}</li>
{% endfor %}
</ul>
</body>
</html>
"""


def sweep_page(answer: Answer, name: str, length: float | None) -> str:
    """HTML with the figure in it; `length` of the fibre in m, or None."""
    drawn = sweep_figure(answer, name, "svg").decode()
    tables: list[tuple[str, Rows]] = [
        ("Mode groups", group_rows(answer)),
        ("Two channels", pair_rows(answer, length)),
        ("Labels", label_rows(answer)),
    ]
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
    )
    return environment.from_string(PAGE).render(
        name=name,
        invented=answer.readings.invented,
        device=device_lines(answer),
        # from the first tag on: a document type has no place within a page
        figure=Markup(drawn[drawn.index("<svg") :]),
        tables=tables,
        notes=note_lines(answer),
    )
