// The page's style sheet, private to host/report: undyed cloth, indigo thread, the frame's hooks.
#pragma once

namespace tenterhook::report {

inline constexpr const char* kStyle = R"css(
:root{--cloth:#f6f1e6;--card:#fffdf8;--ink:#22242e;--soft:#5a5d6b;--line:#cfc6b2;--thread:#2f3f74;
--pass:#1f6b3a;--fail:#a3221f;--unsure:#7d5600;--stop:#6a2a7a;--zero:#c9d2ea;--one:#ead9b8;
--bar:#2f3f74}
@media (prefers-color-scheme:dark){:root{--cloth:#191a20;--card:#22242c;--ink:#ece7db;
--soft:#b3b0a8;
--line:#45464f;--thread:#a9b8ee;--pass:#7fd39b;--fail:#ff9a92;--unsure:#f0c46a;--stop:#dca6ec;
--zero:#323b5c;--one:#5a4a2a;--bar:#a9b8ee}}
*{box-sizing:border-box}
html{background:var(--cloth);color:var(--ink);font:16px/1.5 Georgia,"Liberation Serif",serif}
body{margin:0 auto;max-width:68rem;padding:1rem}
h1,h2,h3,th,.word,.facts dt,summary,.mark{font-family:"Gill Sans","Gill Sans MT",
"Liberation Sans",Arial,sans-serif}
h1{font-size:1.5rem;margin:0}h2{font-size:1.2rem;margin:2rem 0 .6rem;color:var(--thread)}
h3{font-size:1rem;margin:0 0 .3rem}
p{margin:.4rem 0;max-width:46rem}
a{color:var(--thread)}a:focus-visible,summary:focus-visible{outline:3px solid var(--thread);
outline-offset:2px}
.skip{position:absolute;left:-99rem}.skip:focus{left:1rem}
.sub{color:var(--soft);margin:.1rem 0 1rem}
.frame{background:var(--card);padding:1.3rem 1.2rem;position:relative;
border:1px solid var(--line);border-width:0 1px}
.frame:before,.frame:after{content:"";position:absolute;left:0;right:0;height:9px;
background:repeating-linear-gradient(90deg,transparent 0 13px,var(--thread) 13px 15px,
transparent 15px 28px)}
.frame:before{top:0;border-top:2px solid var(--thread)}.frame:after{bottom:0;
border-bottom:2px solid var(--thread)}
.word{font-size:clamp(3.2rem,17vw,7.5rem);line-height:1;letter-spacing:.06em;font-weight:800;
margin:.1em 0}
.word svg{height:.62em;width:.62em;margin-right:.25em;vertical-align:.02em}
.pass{color:var(--pass)}.fail{color:var(--fail)}.unsure{color:var(--unsure)}
.stop{color:var(--stop)}
.say{font-size:1.15rem}
ol.next{margin:.4rem 0 0;padding-left:1.4rem}ol.next li{margin:.25rem 0}
.grid-cards{display:grid;grid-template-columns:repeat(auto-fill,minmax(13rem,1fr));gap:.8rem}
.wide-cards{display:grid;grid-template-columns:repeat(auto-fill,minmax(17rem,1fr));gap:.8rem}
.card{background:var(--card);border:1px solid var(--line);padding:.6rem .7rem;break-inside:avoid}
.card svg{width:100%;height:auto;display:block}
.mark{font-size:.8rem;font-weight:700;float:right}
.legend{font-size:.9rem;color:var(--soft)}
svg text{font:11px "Liberation Sans",Arial,sans-serif;fill:var(--soft)}
svg .axis{text-anchor:end;font-size:10px}svg .time{text-anchor:middle}
svg .grid{stroke:var(--line);stroke-width:.6}
svg .band{stroke:var(--soft);stroke-width:.8}svg .zero{fill:var(--zero)}svg .one{fill:var(--one)}
svg .bit{font-weight:700;font-size:14px;fill:var(--ink)}
svg .need{stroke:var(--ink);stroke-width:1.2;stroke-dasharray:5 3}svg .need-text{font-size:9.5px}
svg .value{font-size:11px;font-weight:700;fill:var(--ink)}
svg .bar{fill:var(--bar)}svg .whisker{stroke:var(--bar);stroke-width:1.5}
svg .mean{stroke:var(--ink);stroke-width:2}
svg .cross{stroke:var(--fail);stroke-width:2;fill:none}
svg .curve{stroke:var(--bar);stroke-width:1.8;fill:none}
svg .predicted{stroke:var(--ink);stroke-width:1.4;fill:none}
svg .dot{fill:var(--bar)}svg .past{fill:none;stroke:var(--soft)}
svg .anew{stroke:var(--stop);stroke-width:1.4;stroke-dasharray:2 3}
svg .ok{fill:var(--zero);stroke:var(--line);stroke-width:.5}
svg .maybe{stroke:var(--unsure);stroke-width:2}
.sign{font-weight:700;font-family:"Gill Sans","Gill Sans MT","Liberation Sans",Arial,sans-serif}
.sign svg{height:.75em;width:.75em;margin-right:.35em;vertical-align:-.02em}
.strip{display:flex;flex-wrap:wrap;gap:3px;margin:.4rem 0;padding:0;list-style:none}
.strip li{width:1.15rem;height:1.15rem;border:1px solid var(--line);background:var(--card);
display:grid;place-items:center}.strip svg{width:.75rem;height:.75rem}
.figures{display:flex;flex-wrap:wrap;gap:.4rem 2.2rem;margin:.4rem 0;padding:0;list-style:none}
.figures li{color:var(--soft);font-size:.9rem}
.figures strong{display:block;color:var(--ink);font-size:1.5rem}
.small{font-size:clamp(2rem,9vw,3.4rem)}
.scroll{overflow-x:auto}
table{border-collapse:collapse;background:var(--card);font-variant-numeric:tabular-nums;
margin:.3rem 0;font-size:.93rem}
caption{text-align:left;color:var(--soft);font-size:.9rem;padding:.2rem 0}
th,td{border:1px solid var(--line);padding:.22rem .5rem;text-align:right;white-space:nowrap}
th{font-weight:600}th[scope=colgroup]{text-align:center}th[scope=row],td.text{text-align:left}
td.text{white-space:normal;min-width:8rem}
tr.bits td,tr.bits th[scope=col]{text-align:center}
td.bad{outline:2px solid var(--fail);outline-offset:-2px;font-weight:700}
td.maybe{outline:2px dashed var(--unsure);outline-offset:-2px;font-weight:700}
.steps{display:grid;gap:.9rem 1.4rem;
grid-template-columns:repeat(auto-fill,minmax(min(100%,24rem),1fr))}.steps>div{break-inside:avoid}
.steps table{font-size:.84rem}.steps th,.steps td{padding:.15rem .36rem}
.steps>.broad{grid-column:1/-1}
.facts{display:grid;grid-template-columns:max-content 1fr;gap:.15rem .9rem;margin:.3rem 0}
.facts dt{color:var(--soft);font-size:.9rem}.facts dd{margin:0;overflow-wrap:anywhere}
ul.care{border-left:5px solid var(--stop);margin:.4rem 0;padding:.3rem 0 .3rem 1.6rem;
background:var(--card)}
code{font-family:"Liberation Mono",monospace;font-size:.92em;background:var(--cloth);
padding:0 .2em;overflow-wrap:anywhere}
.card code,.frame code{background:transparent}
pre{overflow-x:auto;background:var(--card);border:1px solid var(--line);padding:.6rem;
font-size:.85rem}
footer{margin-top:2rem;color:var(--soft);font-size:.9rem;border-top:1px solid var(--line);
padding-top:.5rem}
@media (max-width:32rem){.facts{grid-template-columns:1fr}.facts dd{margin-bottom:.4rem}}
@page{margin:14mm}
@media print{:root{--cloth:#fff;--card:#fff;--ink:#000;--soft:#444;--line:#999;--thread:#1d2b5c;
--pass:#10542a;
--fail:#8c1512;--unsure:#664600;--stop:#55206a;--zero:#dfe4f2;--one:#f1e5cd;--bar:#1d2b5c}
html{font-size:10.5pt}body{padding:0;max-width:none}.word{font-size:64pt}h2{break-after:avoid}
.skip{display:none}
.grid-cards{grid-template-columns:repeat(3,1fr)}
.steps{grid-template-columns:repeat(2,minmax(0,1fr));gap:.6rem}
.scroll{overflow:visible}table{font-size:7.6pt}.steps table{font-size:7.2pt}
th,td{padding:.12rem .26rem}.steps th,.steps td{padding:.1rem .16rem}td.text{min-width:0;
overflow-wrap:anywhere}.wide-cards{grid-template-columns:repeat(2,1fr)}
.band,.bar,.ok,.dot,.frame:before,.frame:after{print-color-adjust:exact;-webkit-print-color-adjust:exact}
details:not([open]){display:none}}
)css";

}  // namespace tenterhook::report
