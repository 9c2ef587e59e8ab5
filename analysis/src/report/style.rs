//! The look of every report: one style sheet. Light and dark by the reader's device, a phone's
//! width, A4 paper. Meaning never rests on colour alone.

use crate::chart::palette;

/// The whole style sheet.
#[must_use]
pub fn sheet() -> String {
    let light = palette::properties(false);
    let dark = palette::properties(true);
    let charts = palette::dark_rules();
    format!(
        ":root{{{light}}}\n{SHEET}\
         @media screen and (prefers-color-scheme:dark){{\n:root{{{dark}}}\n{charts}}}\n{PRINT}"
    )
}

const SHEET: &str = "\
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{margin:0 auto;padding:1.5rem clamp(1rem,4vw,2.5rem) 3rem;max-width:72rem;background:var(--paper);color:var(--text);font:1rem/1.5 system-ui,-apple-system,'Segoe UI','Noto Sans','Liberation Sans',sans-serif}
h1,h2,h3,h4{line-height:1.25;margin:0}
h1{font-size:1.6rem}
h2{font-size:1.3rem;margin:0 0 .75rem}
h3{font-size:1.05rem;margin:0 0 .35rem}
h4{font-size:.925rem;margin:.6rem 0 .1rem;color:var(--quiet)}
p,ul,ol,dl{margin:0 0 .75rem}
ul,ol{padding-left:1.2rem}
li{margin:.15rem 0}
a{color:inherit}
a:focus-visible,[tabindex]:focus-visible{outline:3px solid var(--edge);outline-offset:2px}
.skip{position:absolute;left:-100rem}
.skip:focus{position:static}
.kind{margin:0;color:var(--quiet)}
.literal{white-space:pre-wrap;overflow-wrap:anywhere}
.notes{color:var(--quiet);margin:.25rem 0 0}
main>.part{margin-top:2.75rem;padding-top:1.25rem;border-top:1px solid var(--rule)}
.verdict{margin:1.25rem 0 1.5rem;padding:1rem 1.25rem;background:var(--shade);border-left:.4rem solid var(--text)}
.verdict h2{font-size:1rem;font-weight:600;margin:0 0 .3rem}
.verdict h2{color:var(--quiet)}
.verdict .headline{font-size:1.55rem;line-height:1.3;font-weight:600;margin:0;text-wrap:balance}
.sentence{margin:0 0 1.5rem;max-width:75em;text-wrap:pretty}
.verdict .limits{margin:.6rem 0 0;max-width:60em}
.cards{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,18.5rem),1fr));gap:1rem;margin:0 0 1.5rem}
.card{border:1px solid var(--rule);padding:1rem 1.1rem;display:flex;flex-direction:column}
.card h3{margin:0}
.card .meaning{color:var(--quiet);font-size:.875rem;line-height:1.4;min-height:2.8em;margin:.1rem 0 .6rem}
.pair{display:flex;gap:1.25rem;flex-wrap:wrap;margin:0 0 .25rem}
.pair dt{font-size:.875rem;color:var(--quiet)}
.pair dd{margin:0;font-size:1.6rem;line-height:1.2;font-weight:600;white-space:nowrap;font-variant-numeric:tabular-nums}
.pair .unit{font-size:.95rem;font-weight:400}
.card .chart{max-width:20rem;margin:.1rem 0 .35rem}
.card .change{margin:0;font-variant-numeric:tabular-nums}
.card .answer{margin:.4rem 0 0;padding-top:.5rem;border-top:1px solid var(--rule);font-weight:600}
.why{color:var(--quiet);font-weight:400}
.card p:last-child{margin-bottom:0}
.mark{display:inline-block;width:1em;text-align:center}
.mark.before{color:var(--before)}
.mark.after{color:var(--after)}
.scope{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,18.5rem),1fr));gap:1.25rem 2rem;margin:0 0 1.5rem;font-size:.925rem}
.scope h2,.warnings h2{font-size:1rem;margin:0 0 .3rem}
.scope ul,.warnings ul{margin:0}
.warnings{border-left:.4rem solid var(--caution);padding:.1rem 0 .1rem 1rem;margin:0 0 1.5rem}
.warnings h2{color:var(--caution)}
nav ul{list-style:none;padding:0;margin:0;display:flex;flex-wrap:wrap;gap:.25rem 1.25rem}
nav li{margin:0}
nav a{display:inline-block;padding:.3rem 0}
.figures{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,27rem),1fr));gap:1.75rem 2rem}
figure{margin:0;min-width:0}
figcaption{font-size:.875rem;line-height:1.45;color:var(--quiet);margin-top:.25rem}
figcaption p{margin:0 0 .25rem}
figcaption strong{color:var(--text)}
.chart{display:block;width:100%;height:auto;max-width:40rem}
.chart text{font-family:inherit;font-variant-numeric:tabular-nums}
.legend .chart{width:auto;max-width:100%}
.wide{overflow-x:auto;margin:0 0 1.5rem}
table{border-collapse:collapse;font-size:.9rem;line-height:1.4;font-variant-numeric:tabular-nums}
caption{text-align:left;font-weight:600;padding:0 0 .4rem}
caption .why{font-weight:400}
th,td{padding:.35rem .7rem;text-align:left;vertical-align:top;border-bottom:1px solid var(--rule)}
th:first-child,td:first-child{padding-left:0}
thead th{border-bottom:1px solid var(--edge);vertical-align:bottom}
tbody th{font-weight:600}
.number{text-align:right;white-space:nowrap}
thead .number{white-space:normal}
.moment{white-space:nowrap}
.capture{min-width:10em}
.unit{color:var(--quiet);font-weight:400}
th .meaning{display:block;font-weight:400;color:var(--quiet);font-size:.85rem;max-width:20em}
td.verdict-cell{font-weight:600;min-width:9.2em}
th.part-of{font-weight:400;padding-left:1.2em}
table.measures thead th{max-width:6.5em}
table.measures tbody th{min-width:14em}
table.measures{font-size:.875rem}
table.measures th,table.measures td{padding-left:.35rem;padding-right:.5rem}
table.measures th:first-child{padding-left:0}
.figures+h3{margin-top:2rem}
.cause{margin:1.75rem 0 0;max-width:60em}
.cause ul,.cause p{margin:0}
.dense table{font-size:.8rem}
.dense th,.dense td{padding:.25rem .5rem}
.dense thead th{max-width:7em}
.dense tbody th,.dense thead th:first-child{position:sticky;left:0;background:var(--paper);padding-left:0}
[hidden]{display:none!important}
button,select{font:inherit;font-size:.925rem;color:inherit;background:var(--shade);border:1px solid var(--edge);padding:.35rem .7rem;border-radius:0;max-width:100%}
button{cursor:pointer}
button[aria-pressed=true]{background:var(--text);color:var(--paper)}
button:focus-visible,select:focus-visible,input:focus-visible,summary:focus-visible{outline:3px solid var(--edge);outline-offset:2px}
input{accent-color:var(--before);margin:0}
.controls{display:flex;flex-wrap:wrap;gap:.4rem .75rem;align-items:center;margin:0 0 .75rem;padding:0;border:0;min-width:0}
.controls label{display:inline-flex;gap:.35rem;align-items:center}
fieldset.controls{border:1px solid var(--rule);padding:.25rem .8rem .6rem;font-size:.925rem}
legend{padding:0 .3rem;color:var(--quiet)}
.cursor-line{display:flex;flex-wrap:wrap;gap:.4rem .75rem;align-items:center;position:sticky;top:0;z-index:2;background:var(--paper);padding:.4rem 0}
.cursor-line input{flex:1 1 14rem;min-width:0;height:1.5rem}
.cursor-line output{flex:0 0 15.5em;font-variant-numeric:tabular-nums;font-weight:600}
#viewer-range{font-variant-numeric:tabular-nums}
.panel{margin:.5rem 0 .75rem}
.panel-head{margin:0;display:flex;flex-wrap:wrap;gap:0 1rem;font-size:.925rem;font-variant-numeric:tabular-nums}
.panel-head strong{flex:0 0 14em}
.panel-value{flex:0 0 11em}
.panel .uplot{font-family:inherit}
.panel .u-over{touch-action:pan-y;cursor:crosshair}
.panel .u-select{background:var(--edge);opacity:.25}
.panel .u-hz .u-cursor-x{border-right:1px solid var(--text)}
details{margin:0 0 1rem}
summary{cursor:pointer;padding:.3rem 0}
.reasons{list-style:none;padding:0;font-size:.85rem;color:var(--quiet);margin:-1rem 0 1.75rem}
footer{margin-top:3rem;padding-top:1rem;border-top:1px solid var(--rule);color:var(--quiet);font-size:.875rem}
@media screen and (min-width:80rem){.part>.dense{--broad:min(100vw - 5rem,108rem);width:var(--broad);margin-left:calc((100% - var(--broad))/2)}}
@media (max-width:40rem){.verdict .headline{font-size:1.25rem}.pair dd{font-size:1.4rem}main>.part{margin-top:2rem}}
";

/// Paper is light whatever the screen was; tables that need the width lie on their side.
const PRINT: &str = "\
@page{size:A4;margin:14mm 13mm}
@page broad{size:A4 landscape;margin:12mm}
@media print{
html{font-size:9pt}
body{max-width:none;padding:0 1px;background:none}
nav,.skip,#traces{display:none}
.verdict,.mark,.chart{print-color-adjust:exact;-webkit-print-color-adjust:exact}
.verdict{margin:4mm 0}
.cards{grid-template-columns:repeat(3,1fr);gap:3mm}
.card{padding:2.5mm 3mm}
.pair{gap:3mm}
.pair dd{font-size:1.35rem}
.figures{grid-template-columns:1fr 1fr;gap:5mm 6mm}
figure,.card,.warnings,.scope,tr{break-inside:avoid}
.scope{grid-template-columns:repeat(3,1fr);gap:5mm}
:root{color-scheme:light}
h2,h3,h4,caption,thead,h2+p{break-after:avoid}
thead{display:table-header-group}
main>.part{margin-top:7mm;padding-top:3mm}
.wide{overflow:visible}
table{font-size:.9rem}
th,td{padding:1mm 1.6mm}
#engagements{page:broad;border-top:0}
.dense table{font-size:.76rem}
.dense th,.dense td{padding:.7mm 1.1mm}
}
";
