"""How the panel looks, and the one thing that only the page can do: drag over the sheet."""

import html

from reviewkit.panels.keys import kept_keys

CLASS = "reviewkit-intake"

# A rectangle or an arrow is drawn while the mouse is down and its ends [mm of the sheet] are then put
# into the panel's hidden field, as if typed; everything else is the kernel's.
_DRAG = f"""(panel => {{
  if (!panel || panel.dataset.drag) return;
  panel.dataset.drag = 'ready';
  let svg = null, start = null, shape = null;
  const at = event => {{
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [place.x, place.y];
  }};
  const drawn = (a, b) => shape.tagName === 'line'
    ? {{x1: a[0], y1: a[1], x2: b[0], y2: b[1]}}
    : {{x: Math.min(a[0], b[0]), y: Math.min(a[1], b[1]), width: Math.abs(a[0] - b[0]), height: Math.abs(a[1] - b[1])}};
  const show = values => Object.entries(values).forEach(([name, value]) => shape.setAttribute(name, value));
  const clear = () => {{ if (shape) shape.remove(); svg = start = shape = null; }};
  panel.addEventListener('pointerdown', event => {{
    const sheet = event.target.closest('.{CLASS}-marking');
    if (!sheet || event.button) return;
    svg = sheet.querySelector('.{CLASS}-over svg');
    if (!svg) return;
    event.preventDefault();
    sheet.setPointerCapture(event.pointerId);
    start = at(event);
    shape = document.createElementNS(svg.namespaceURI, sheet.classList.contains('{CLASS}-arrow') ? 'line' : 'rect');
    show({{...drawn(start, start), fill: '#1f4e8c', 'fill-opacity': 0.15, stroke: '#c8500a', 'stroke-width': 2,
      'vector-effect': 'non-scaling-stroke'}});
    svg.appendChild(shape);
  }});
  panel.addEventListener('pointermove', event => {{ if (start) show(drawn(start, at(event))); }});
  panel.addEventListener('pointercancel', clear);
  panel.addEventListener('pointerup', event => {{
    if (!start) return;
    const ends = [...start, ...at(event)], far = Math.hypot(ends[0] - ends[2], ends[1] - ends[3]);
    const pixel = 1 / svg.getScreenCTM().a;
    clear();
    const field = panel.querySelector('.{CLASS}-drag input');
    if (!field || far < 4 * pixel) return;
    field.value = [...ends.map(end => end.toFixed(3)), Date.now()].join(' ');
    field.dispatchEvent(new Event('change', {{bubbles: true}}));
  }});
}})(this.closest('.{CLASS}'))"""


def look() -> str:
    """Style elements of the panel: they keep its keys in it, let one drag, and say how it looks."""
    return f"""{kept_keys(CLASS)}
.{CLASS} .{CLASS}-sheet {{ position: relative; display: block; width: 100%; overflow: hidden; }}
.{CLASS} .{CLASS}-sheet > * {{ width: 100%; margin: 0; height: auto; }}
.{CLASS} .{CLASS}-sheet .widget-html-content {{ width: 100%; height: auto; line-height: 0; }}
.{CLASS} .{CLASS}-sheet img, .{CLASS} .{CLASS}-sheet svg {{ display: block; width: 100%; height: auto;
  max-height: 74vh; background: white; }}
.{CLASS} .{CLASS}-sheet .{CLASS}-over {{ position: absolute; left: 0; top: 0; }}
.{CLASS} .{CLASS}-sheet .{CLASS}-over svg {{ background: none; }}
.{CLASS} .{CLASS}-marking {{ cursor: crosshair; touch-action: none; user-select: none; }}
.{CLASS} .widget-toggle-buttons {{ width: auto; }}
.{CLASS} .widget-toggle-buttons .widget-toggle-button {{ margin: 2px; }}
.{CLASS} .widget-radio {{ display: flex; flex-direction: row; align-items: baseline; width: auto; height: auto; }}
.{CLASS} .widget-radio > label {{ flex: none; text-align: right; margin-right: 8px; }}
.{CLASS} .widget-radio-box {{ flex-flow: row wrap; gap: 2px 12px; margin: 0; }}
.{CLASS} .widget-radio-box label {{ width: auto; margin: 0; padding: 0; }}
.{CLASS} caption {{ display: none; }}
.{CLASS} .told {{ line-height: 1.45; margin: 2px 0; }}
.{CLASS} .wrong {{ line-height: 1.35; margin: 0 0 4px 8em; padding: 2px 8px; border-left: 4px solid #8a2b12;
  background: #fbf1ee; color: #1d2630; }}
.{CLASS} .said {{ line-height: 1.4; margin: 6px 0; padding: 6px 10px; border-left: 4px solid #1b5a8a;
  background: #f3f5f7; color: #1d2630; overflow-wrap: anywhere; }}
.{CLASS} .said[role=alert] {{ border-left-color: #8a2b12; background: #fbf1ee; }}
.{CLASS} :disabled {{ opacity: .45; }}
.{CLASS} :focus-visible {{ outline: 2px solid #1b5a8a; outline-offset: 1px; }}
</style><style onload="{html.escape(_DRAG)}"></style>"""
