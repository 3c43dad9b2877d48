"""The look of the report's page: for a desk, a telephone and paper, in light and in dark by the reader's choice.

Contrast of text is 4.5 and more (WCAG 2.2, 1.4.3), of bars and lines on their ground 3 and more (1.4.11); a level is
told by its shape and its word as well as by its colour.
"""

STYLE = """
:root { color-scheme: light dark; --page: #fff; --ink: #111; --quiet: #4a4f55; --line: #d5d9dd; --wall: #000;
--track: #e7eaec; --behind: #f3c9c4; --holds: #8fe3b0; --holds-ink: #000; --near: #ffd400; --near-ink: #000;
--past: #a80000; --past-ink: #fff; --act: #0038b8; --act-ink: #fff; --bar: #0e7c55; --bar-near: #a87400;
--bar-past: #a80000; --power: #a83b00; --voltage: #0a3fa6; --cell: #4a1433; --phase: #c4d4e6; --card: #fff; }
@media (prefers-color-scheme: dark) { :root { --page: #101418; --ink: #f2efe6; --quiet: #b4b9be; --line:
#39424a; --wall: #f2efe6; --track: #232a31; --behind: #57241f; --holds: #0b6040; --holds-ink: #fff; --near:
#ffd54a; --past: #ff7366; --past-ink: #000; --act: #6fb1ff; --act-ink: #000; --bar: #3fdda8; --bar-near:
#ffd54a; --bar-past: #ff7366; --power: #d9805f; --voltage: #4d8df0; --cell: #c9a6e0; --phase: #2b3f55; --card:
#f4f4f2; } } * { box-sizing: border-box; } body { font: 16px/1.5 system-ui, sans-serif; margin: 1.5rem auto;
max-width: 62rem; padding: 0 1rem; color: var(--ink); background: var(--page); overflow-wrap: break-word; } h1 {
font-size: 1.3rem; margin: 0 1.2rem 0 0; display: inline; } h2 { font-size: 1.1rem; margin: 1.6rem 0 .3rem;
border-bottom: 1px solid var(--line); padding-bottom: .3rem; } h3 { font-size: 1rem; margin: 1.4rem 0 .3rem; }
header span { color: var(--quiet); margin-right: 1rem; } .verdict { display: flex; gap: 1.4rem; align-items:
center; margin: 1.2rem 0; } .verdict p { margin: 0; } .verdict .reason { font-size: 1.2rem; font-weight: 700;
margin-bottom: .4rem; } .verdict > .badge { font-size: 1.6rem; padding: .6rem 1.2rem; flex: none; } .badge {
display: inline-block; padding: .05rem .5rem; font-weight: 700; font-size: .85rem; white-space: nowrap; border:
1px solid transparent; -webkit-print-color-adjust: exact; print-color-adjust: exact; } .badge.past { background:
var(--past); color: var(--past-ink); } .badge.near { background: var(--near); color: var(--near-ink);
border-color: #000; } .badge.holds { background: var(--holds); color: var(--holds-ink); } .badge.act {
background: var(--act); color: var(--act-ink); } .badge.not-judged { border: 1px dashed var(--quiet); color:
var(--quiet); } table { border-collapse: collapse; width: 100%; } .figures { width: auto; } td, th { padding:
.25rem .7rem .25rem 0; vertical-align: middle; text-align: left; } .parts tr { border-bottom: 1px solid
var(--line); } th { font-weight: 400; color: var(--quiet); } td.value, td.part { font-weight: 600; } .parts td {
white-space: nowrap; } .parts td.remark { white-space: normal; overflow-wrap: anywhere; } td.remark, .remark {
color: var(--quiet); font-size: .85rem; } .gauge { display: block; position: relative; width: 7rem; height:
.8rem; background: linear-gradient(to right, var(--track) 84%, var(--behind) 84%); -webkit-print-color-adjust:
exact; print-color-adjust: exact; } .gauge span { display: block; height: 100%; background: var(--bar); }
.gauge.near span { background: var(--bar-near); } .gauge.past span { background: var(--bar-past); }
.gauge::after { content: ""; position: absolute; left: calc(84% - 2px); top: -.2rem; bottom: -.2rem; width: 4px;
background: var(--wall); -webkit-print-color-adjust: exact; print-color-adjust: exact; } .key { display: grid;
grid-template-columns: 1fr 1fr; column-gap: 2.4rem; } .key div { display: flex; flex-wrap: wrap;
justify-content: space-between; border-bottom: 1px solid var(--line); padding: .3rem 0; } .key b { text-align:
right; } .key small { flex-basis: 100%; text-align: right; color: var(--quiet); } p { margin: .3rem 0;
max-width: 50rem; } ul { margin: .3rem 0; padding-left: 1.2rem; } svg { max-width: 100%; height: auto; } .drive
text { fill: var(--ink); } .drive .quiet { fill: var(--quiet); } .drive .grid { stroke: var(--line); } .drive
.limit { stroke: var(--bar-past); } .drive .over { fill: var(--behind); } .drive .limit-text { fill:
var(--bar-past); } .drive .gap { fill: var(--track); } .drive .phase { fill: var(--phase); } .drive .rest {
fill: var(--track); } .drive .mark { stroke: var(--quiet); } .drive .power { stroke: var(--power); fill:
var(--power); } .drive .voltage { stroke: var(--voltage); fill: var(--voltage); } .drive .cells { stroke:
var(--cell); fill: var(--cell); } .drive .bar { fill: var(--voltage); } .drive .bar.near { fill:
var(--bar-near); } .drive .bar.past { fill: var(--bar-past); } figure { margin: .8rem 0; background:
var(--card); color: #111; } figcaption { color: #444; } pre { font: 14px/1.45 ui-monospace, monospace;
white-space: pre-wrap; overflow-x: auto; } details { margin-top: 1.6rem; } summary { font-weight: 700; cursor:
pointer; padding: .6rem 0; } footer { margin-top: 1.6rem; border-top: 1px solid var(--line); padding-top: .4rem;
color: var(--quiet); font-size: .85rem; } footer p { max-width: none; } @media screen and (max-width: 58rem) {
.verdict { display: block; } .verdict > .badge { display: block; text-align: center; margin-bottom: .6rem; }
.key { grid-template-columns: 1fr; } .parts, .parts tbody, .parts tr, .parts td { display: block; width: auto;
padding: .1rem 0; } .parts tr { padding: .6rem 0; } .parts td { white-space: normal; } .parts tr:first-child {
display: none; } .parts td[data-of]::before { content: attr(data-of); display: inline-block; width: 6.5rem;
color: var(--quiet); font-weight: 400; } .parts td:empty { display: none; } .parts td:nth-child(-n+2), .parts
td:nth-child(5), .parts td:nth-child(6) { display: inline-block; margin-right: .6rem; } .parts .gauge { display:
inline-block; vertical-align: middle; } .figures, .figures tbody, .figures tr, .figures td { display: block;
padding: 0; } .figures tr { padding: .3rem 0; } td.value { white-space: normal; } } @media print { @page { size:
A4; margin: 12mm 13mm; } :root { --page: #fff; --ink: #111; --quiet: #4a4f55; --line: #d5d9dd; --wall: #000;
--track: #e7eaec; --behind: #f3c9c4; --holds: #8fe3b0; --holds-ink: #000; --near: #ffd400; --past: #a80000;
--past-ink: #fff; --act: #0038b8; --act-ink: #fff; --bar: #0e7c55; --bar-near: #a87400; --bar-past: #a80000;
--power: #a83b00; --voltage: #0a3fa6; --cell: #4a1433; --phase: #c4d4e6; } html { font-size: 8.6pt; } body {
margin: 0; padding: 0; max-width: none; font-size: 8.6pt; line-height: 1.3; } .verdict { margin: .6rem 0; }
.verdict > .badge { font-size: 1.7rem; } td, th { padding: .08rem .6rem .08rem 0; } h2 { margin: .7rem 0 .15rem;
break-after: avoid; } .key div { padding: .12rem 0; } .drive, tr, .key div { break-inside: avoid; } details {
display: none; } footer { margin-top: .7rem; } }
"""
