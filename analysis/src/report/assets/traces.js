// The trace viewer of a report. Draws what the page carries in #trace-data with uPlot: one panel a
// signal, all on one time axis, under one cursor. Without this script the page keeps its pictures.
"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const data = JSON.parse(byId("trace-data").textContent);
  const viewer = byId("viewer");
  const charts = byId("viewer-charts");
  const pickers = [byId("viewer-before"), byId("viewer-after")];
  const slider = byId("viewer-cursor");
  const SIDES = ["before", "after"];
  const PANEL_PX = 170;
  // Narrower than this there is nothing more to see between two samples.
  const LEAST_SPAN_S = 0.02;

  const state = { from: 0, to: 1, whole: [0, 1], cursor: 0, pin: null, panels: [] };

  // Times and values come as whole numbers, each as its difference from the one before; a value of
  // null leaves the line open there.
  function unpacked([times, values], step) {
    let t = 0;
    let v = 0;
    return [
      times.map((d) => (t += d) / 1000),
      values.map((d) => (d === null ? null : (v += d) * step)),
    ];
  }

  const engagements = data.engagements.map((raw) => ({
    ...raw,
    traces: new Map(raw.traces.map(([signal, trace]) => [signal, unpacked(trace, data.signals[signal].step)])),
  }));
  const chosen = () => pickers.map((picker) => engagements[picker.value] ?? null);

  const minus = (text) => text.replace("-", "\u2212");
  const seconds = (t) => minus(t.toFixed(3)) + "\u00a0s";
  function reading(signal, value) {
    if (value === null) return "no value";
    const digits = value.toFixed(signal.decimals);
    // No minus before nought.
    return (Number(digits) === 0 ? digits.replace("-", "") : minus(digits)) + (signal.unit ? "\u00a0" + signal.unit : "");
  }

  // Linear between neighbours, held for a state, nothing in a gap and beyond the ends.
  function valueAt(trace, t, held) {
    if (!trace) return null;
    const [times, values] = trace;
    let low = 0;
    let high = times.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (times[middle] <= t) low = middle + 1;
      else high = middle;
    }
    const before = low - 1;
    if (before < 0) return null;
    const v0 = values[before];
    if (v0 === null) return null;
    if (times[before] === t) return v0;
    const v1 = values[low] ?? null;
    if (v1 === null || low >= times.length) return null;
    return held ? v0 : v0 + ((v1 - v0) * (t - times[before])) / (times[low] - times[before]);
  }

  function ink(name) {
    return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
  }

  function faint(colour) {
    return colour + "48";
  }

  function fill(picker, side, wanted, fits) {
    picker.replaceChildren();
    for (const [index, e] of engagements.entries()) {
      if (e.side !== side || !fits(e)) continue;
      picker.add(new Option(e.name, index, false, index === wanted));
    }
    if (!picker.options.length) picker.add(new Option("none", -1));
  }

  // Only engagements that are timed from the same kind of event may lie over each other.
  function offerAfter(wanted) {
    const [before] = chosen();
    fill(pickers[1], 1, wanted, (e) => !before || e.reference === before.reference);
  }

  function partner(index) {
    const e = engagements[index];
    if (!e) return -1;
    if (e.partner !== null) return e.partner;
    return engagements.findIndex((o) => o.side === 1 && o.kind === e.kind && o.reference === e.reference);
  }

  const pairs = engagements.flatMap((e, i) => (e.side === 0 && e.partner !== null ? [i] : []));
  function step(by) {
    const all = pairs.length ? pairs : engagements.flatMap((e, i) => (e.side === 0 ? [i] : []));
    if (!all.length) return;
    const at = all.indexOf(Number(pickers[0].value));
    const next = all[(at + by + all.length) % all.length];
    pickers[0].value = next;
    offerAfter(partner(next));
    redraw();
  }

  // Joins traces of different times into uPlot's columns; where a trace has no sample of its own the
  // line runs on, where it has a gap it breaks.
  function columns(traces) {
    const tables = traces.map((trace) => trace ?? [[], []]);
    if (tables.every((table) => !table[0].length)) return [[state.whole[0], state.whole[1]], ...tables.map(() => [null, null])];
    return uPlot.join(tables, tables.map(() => [0, 2]));
  }

  function behind(signal, picked) {
    if (!byId("viewer-behind").checked) return [];
    const like = picked.find((e) => e);
    return engagements.filter(
      (e) => like && !picked.includes(e) && e.kind === like.kind && e.reference === like.reference && e.traces.has(signal),
    );
  }

  function upright(u, t, colour, dash) {
    const x = u.valToPos(t, "x", true);
    const { left, top, width, height } = u.bbox;
    if (x < left || x > left + width) return;
    u.ctx.save();
    u.ctx.strokeStyle = colour;
    u.ctx.lineWidth = devicePixelRatio;
    u.ctx.setLineDash(dash);
    u.ctx.beginPath();
    u.ctx.moveTo(x, top);
    u.ctx.lineTo(x, top + height);
    u.ctx.stroke();
    u.ctx.restore();
  }

  function panel(signalIndex, picked) {
    const signal = data.signals[signalIndex];
    const others = behind(signalIndex, picked);
    const all = [...others, ...picked.filter((e) => e?.traces.has(signalIndex))];
    if (!all.length) return null;
    const box = document.createElement("div");
    box.className = "panel";
    const head = document.createElement("p");
    head.className = "panel-head";
    const name = document.createElement("strong");
    name.textContent = signal.name;
    head.append(name);
    const values = picked.map((e, side) => {
      const value = document.createElement("span");
      value.className = "panel-value";
      const mark = document.createElement("span");
      mark.className = "mark " + SIDES[side];
      mark.setAttribute("aria-hidden", "true");
      mark.textContent = side ? "\u25b2" : "\u25cf";
      const text = document.createElement("span");
      value.append(mark, " " + SIDES[side] + " ", text);
      head.append(" ", value);
      return text;
    });
    box.append(head);
    charts.append(box);
    const line = (e) => {
      const colour = ink(SIDES[e.side]);
      const main = picked.includes(e);
      return {
        stroke: main ? colour : faint(colour),
        width: main ? 2 : 1,
        dash: e.side ? [9, 4] : undefined,
        points: { show: false },
        paths: signal.held ? uPlot.paths.stepped({ align: 1 }) : undefined,
      };
    };
    const axis = {
      stroke: ink("quiet"),
      font: "12px " + getComputedStyle(document.body).fontFamily,
      grid: { stroke: ink("rule"), width: 1 },
      ticks: { stroke: ink("rule"), width: 1, size: 4 },
    };
    const u = new uPlot(
      {
        width: charts.clientWidth,
        height: PANEL_PX,
        legend: { show: false },
        scales: { x: { time: false, range: () => [state.from, state.to] } },
        axes: [
          { ...axis, size: 28, values: (_, ticks) => ticks.map((t) => minus(String(+t.toFixed(4)))) },
          { ...axis, size: 56, values: (_, ticks) => ticks.map((t) => minus(String(+t.toPrecision(6)))) },
        ],
        series: [{}, ...all.map(line)],
        cursor: {
          y: false,
          points: { size: 7 },
          // A dot only where there is a sample, not at the nearest one across a gap.
          hover: { prox: 12 },
          sync: { key: "traces", setSeries: false },
          drag: { x: true, y: false, setScale: false },
          bind: {
            // Shift and drag moves the stretch; a plain drag marks one to look into.
            mousedown: (self, target, act) => (event) => (event.shiftKey ? grab(self, event) : act(event)),
            dblclick: () => () => show(...state.whole),
          },
        },
        hooks: {
          setCursor: [(self) => self.cursor.event && point(self)],
          setSelect: [zoomIntoSelection],
          drawClear: [
            (self) => {
              upright(self, 0, ink("edge"), []);
              if (state.pin !== null) upright(self, state.pin, ink("text"), [2 * devicePixelRatio, 3 * devicePixelRatio]);
            },
          ],
        },
      },
      columns(all.map((e) => e.traces.get(signalIndex))),
      box,
    );
    // What it shows is said in the words above it.
    u.root.setAttribute("aria-hidden", "true");
    touch(u);
    u.over.addEventListener("wheel", (event) => wheel(u, event), { passive: false });
    return { u, signal, index: signalIndex, values };
  }

  function point(u) {
    if (u.cursor.left === null || u.cursor.left < 0) return;
    place(u.posToVal(u.cursor.left, "x"), u);
  }

  function zoomIntoSelection(u) {
    const { left, width } = u.select;
    if (width < 4) return;
    const [from, to] = [u.posToVal(left, "x"), u.posToVal(left + width, "x")];
    u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
    show(from, to);
  }

  function grab(u, event) {
    const startX = event.clientX;
    const [from, to] = [state.from, state.to];
    const drag = (move) => {
      const by = ((startX - move.clientX) / u.over.clientWidth) * (to - from);
      show(from + by, to + by);
    };
    const stop = () => {
      removeEventListener("mousemove", drag);
      removeEventListener("mouseup", stop);
    };
    addEventListener("mousemove", drag);
    addEventListener("mouseup", stop);
  }

  function wheel(u, event) {
    // A plain wheel scrolls the page, as everywhere.
    if (!event.ctrlKey && !event.shiftKey) return;
    event.preventDefault();
    const turned = event.deltaY || event.deltaX;
    if (event.shiftKey) return pan(Math.sign(turned) * 0.1);
    const at = u.posToVal(event.clientX - u.over.getBoundingClientRect().left, "x");
    zoom(turned < 0 ? 0.8 : 1.25, at);
  }

  // One finger moves the cursor, two fingers stretch and move the time axis.
  function touch(u) {
    let last = null;
    const places = (event) => {
      const left = u.over.getBoundingClientRect().left;
      return [...event.touches].slice(0, 2).map((finger) => finger.clientX - left);
    };
    u.over.addEventListener("touchstart", (event) => (last = places(event)), { passive: true });
    u.over.addEventListener(
      "touchmove",
      (event) => {
        const now = places(event);
        if (now.length === 1) {
          place(u.posToVal(now[0], "x"));
        } else if (last?.length === 2) {
          event.preventDefault();
          const held = last.map((x) => u.posToVal(x, "x"));
          const apart = Math.max(Math.abs(now[1] - now[0]), 8);
          const perPx = Math.abs(held[1] - held[0]) / apart;
          const from = (held[0] + held[1]) / 2 - ((now[0] + now[1]) / 2) * perPx;
          show(from, from + perPx * u.over.clientWidth);
        }
        last = now;
      },
      { passive: false },
    );
  }

  function show(from, to) {
    const [first, end] = state.whole;
    const span = Math.min(Math.max(to - from, LEAST_SPAN_S), end - first);
    const middle = (from + to) / 2;
    state.from = Math.min(Math.max(middle - span / 2, first), end - span);
    state.to = state.from + span;
    for (const { u } of state.panels) u.setScale("x", { min: state.from, max: state.to });
    slider.min = Math.ceil(state.from * 1000);
    slider.max = Math.floor(state.to * 1000);
    slider.step = Math.max(1, Math.round(span * 2));
    byId("viewer-range").textContent = seconds(state.from) + " to " + seconds(state.to);
    place(Math.min(Math.max(state.cursor, state.from), state.to));
  }

  const zoom = (factor, at = state.cursor) =>
    show(at - (at - state.from) * factor, at + (state.to - at) * factor);
  const pan = (share) => {
    const by = share * (state.to - state.from);
    show(state.from + by, state.to + by);
  };

  // Puts the cursor at a time, in every panel and in words.
  function place(t, from = null) {
    state.cursor = t;
    const picked = chosen();
    const said = [];
    for (const { u, signal, index, values } of state.panels) {
      values.forEach((text, side) => {
        const value = valueAt(picked[side]?.traces.get(index), t, signal.held);
        text.textContent = reading(signal, value);
        if (value !== null) said.push(signal.name + " " + SIDES[side] + " " + text.textContent);
      });
    }
    // uPlot hands the pointer's own moves on to the others itself, and lays out anew only when the
    // present task is over.
    if (!from) {
      queueMicrotask(() => {
        for (const { u } of state.panels) u.setCursor({ left: u.valToPos(state.cursor, "x"), top: 0 }, false);
      });
    }
    let time = seconds(t) + " from " + (picked.find((e) => e)?.reference ?? "demand");
    if (state.pin !== null) time += "; " + seconds(t - state.pin) + " from the pin";
    byId("viewer-time").textContent = time;
    slider.value = Math.round(t * 1000);
    slider.setAttribute("aria-valuetext", time + ": " + said.join(", "));
  }

  function pin() {
    state.pin = state.pin === null ? state.cursor : null;
    byId("viewer-pin").setAttribute("aria-pressed", String(state.pin !== null));
    for (const { u } of state.panels) u.redraw(false);
    place(state.cursor);
  }

  function redraw(keep = false) {
    for (const { u } of state.panels) u.destroy();
    charts.replaceChildren();
    const picked = chosen();
    const ends = picked.flatMap((e) => [...(e?.traces.values() ?? [])].flatMap(([times]) => [times[0], times.at(-1)]));
    state.whole = ends.length ? [Math.min(...ends), Math.max(...ends)] : [0, 1];
    if (!keep) [state.from, state.to] = state.whole;
    state.panels = data.signals.flatMap((_, index) => {
      const wanted = byId("viewer-signal-" + index).checked;
      return (wanted && panel(index, picked)) || [];
    });
    if (!state.panels.length) {
      const none = document.createElement("p");
      none.className = "why";
      none.textContent = "None of the chosen signals is in these engagements.";
      charts.append(none);
    }
    show(state.from, state.to);
  }

  function keys(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.target.tagName === "SELECT") return;
    const act = { "+": () => zoom(0.7), "=": () => zoom(0.7), "-": () => zoom(1.4), 0: () => show(...state.whole), m: pin }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  }

  function start() {
    viewer.hidden = false;
    const first = pairs[0] ?? engagements.findIndex((e) => e.side === 0);
    fill(pickers[0], 0, first, () => true);
    offerAfter(partner(first));
    pickers[0].addEventListener("change", () => {
      offerAfter(partner(Number(pickers[0].value)));
      redraw();
    });
    pickers[1].addEventListener("change", () => redraw());
    for (const box of viewer.querySelectorAll("input[type=checkbox]")) box.addEventListener("change", () => redraw(true));
    slider.addEventListener("input", () => place(slider.valueAsNumber / 1000));
    viewer.addEventListener("keydown", keys);
    const acts = {
      "viewer-previous": () => step(-1),
      "viewer-next": () => step(1),
      "viewer-in": () => zoom(0.5),
      "viewer-out": () => zoom(2),
      "viewer-earlier": () => pan(-0.25),
      "viewer-later": () => pan(0.25),
      "viewer-whole": () => show(...state.whole),
      "viewer-pin": pin,
    };
    for (const [id, act] of Object.entries(acts)) byId(id).addEventListener("click", act);
    redraw();
    new ResizeObserver(() => {
      for (const { u } of state.panels) if (u.width !== charts.clientWidth) u.setSize({ width: charts.clientWidth, height: PANEL_PX });
    }).observe(charts);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => redraw(true));
  }

  start();
})();
