"""The look of the printed sheets: black on white, large codes, room for a pencil, on A4 and Letter alike."""

from __future__ import annotations

from typing import Final

STYLE: Final = """
@page { margin: 11mm 12mm; }
* { box-sizing: border-box; }
html { color-scheme: light; background: #fff; color: #000; }
body { margin: 0 auto; max-width: 186mm; overflow-wrap: break-word;
  font: 12pt/1.25 "DejaVu Sans", Verdana, Arial, sans-serif; }
h1, .burn { font-size: 20pt; line-height: 1.15; margin: 0 0 2mm; border: 0; }
h2:not(.burn), h3 { font-size: 14pt; margin: 3mm 0 1.5mm; border-bottom: 0.6mm solid #000; break-after: avoid; }
p { margin: 0 0 1.5mm; }
ol, ul { margin: 0 0 2mm; padding-left: 8mm; }
li { margin: 0 0 1mm; break-inside: avoid; }
.sheet, .front { break-after: page; }
.sheet { break-inside: avoid; }
.last { break-inside: avoid; }
.front { font-size: 11pt; }
.front li { margin: 0 0 .6mm; }
.care { border: 0.6mm solid #000; padding: 1mm 2mm; font-size: 10.5pt; clear: both; }
.hazard { border: 0.6mm solid #000; padding: 1mm 2mm; font-weight: bold; font-size: 11pt; }
.sheet:last-of-type { break-after: auto; }
.code { float: right;
  font-size: 40pt; line-height: 1.1; font-weight: bold; border: 0.8mm solid #000; padding: 0 4mm; margin: 0 0 2mm 4mm; }
.banner { border: 0.6mm solid #000; font-weight: bold; padding: 1mm 2mm; }
.boxes { display: flex; flex-wrap: wrap; gap: 1.5mm 3mm; margin: 0 0 1.5mm; }
.box { flex: 1 1 40mm; min-width: 40mm; }
.box span { display: block; font-size: 12pt; }
.box small { font: 9pt "DejaVu Sans Mono", "Courier New", monospace; margin-left: 2mm; }
.box b { display: block; height: 9mm; border: 0.35mm solid #000; font-weight: normal; padding: 1mm; font-size: 12pt; }
.ticks { list-style: none; padding: 0; columns: 2; }
.ticks li::before, .half::before { content: "\\2610\\00a0"; }
.half { display: inline-block; min-width: 16mm; }
table { border-collapse: collapse; width: 100%; margin: 0 0 1.5mm; }
caption { text-align: left; }
th, td { border: 0.3mm solid #000; padding: 0.6mm 1.5mm; text-align: left; vertical-align: top; }
tr { break-inside: avoid; }
.day { white-space: nowrap; }
.blank td { height: 8mm; }
.small { margin: 0 0 1mm; font-size: 11pt; }
.foot { overflow-wrap: anywhere; }
.scroll:focus-visible { outline: 1mm solid #000; }
@media screen {
  body { padding: 6mm; }
  p { max-width: 41em; }
  .scroll { overflow-x: auto; }
  .sheet, .front { border-bottom: 1mm dashed #777; padding: 0 0 6mm; margin: 0 0 8mm; }
}
"""
