"""The look of the printed sheets: 14 pt, black on white, room for a pencil, on A4 and Letter alike."""

from __future__ import annotations

from typing import Final

STYLE: Final = """
@page { margin: 11mm 12mm; }
* { box-sizing: border-box; }
html { color-scheme: light; background: #fff; color: #000; }
body { margin: 0 auto; max-width: 186mm; overflow-wrap: break-word;
  font: 14pt/1.28 "DejaVu Sans", Verdana, Arial, sans-serif; }
h1, .burn { font-size: 20pt; line-height: 1.15; margin: 0 0 2mm; border: 0; }
h2:not(.burn), h3 { font-size: 14pt; margin: 4mm 0 1.5mm; border-bottom: 0.6mm solid #000; break-after: avoid; }
p { margin: 0 0 1.5mm; }
ol, ul { margin: 0 0 2mm; padding-left: 8mm; }
li { margin: 0 0 1mm; break-inside: avoid; }
.sheet, .front { break-after: page; }
.sheet:last-of-type { break-after: auto; }
.sheet { break-inside: avoid; }
.code { float: right; font-size: 24pt; font-weight: bold; border: 0.6mm solid #000; padding: 0 3mm; }
.banner { border: 0.6mm solid #000; font-weight: bold; padding: 1mm 2mm; }
.boxes { display: flex; flex-wrap: wrap; gap: 1.5mm 3mm; margin: 0 0 1.5mm; }
.box { flex: 1 1 40mm; min-width: 40mm; }
.box span { display: block; font-family: "DejaVu Sans Mono", "Courier New", monospace; font-size: 14pt; }
.box b { display: block; height: 10mm; border: 0.35mm solid #000; font-weight: normal; padding: 1mm; }
.ticks { list-style: none; padding: 0; columns: 2; }
.ticks li::before, .half::before { content: "\\2610\\00a0"; }
.half { display: inline-block; min-width: 22mm; }
table { border-collapse: collapse; width: 100%; margin: 0 0 1.5mm; }
caption { text-align: left; }
th, td { border: 0.3mm solid #000; padding: 0.6mm 1.5mm; text-align: left; vertical-align: top; }
tr { break-inside: avoid; }
.day { white-space: nowrap; }
.blank td { height: 9mm; }
.small { margin: 1mm 0 0; }
.foot { overflow-wrap: anywhere; }
.scroll:focus-visible { outline: 1mm solid #000; }
@media screen {
  body { padding: 6mm; }
  .scroll { overflow-x: auto; }
  .sheet, .front { border-bottom: 1mm dashed #777; padding: 0 0 6mm; margin: 0 0 8mm; }
}
"""
