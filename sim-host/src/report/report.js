// Draws the band and the stations against time. Plain script, no library, nothing fetched.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const view = byId("view"), field = byId("field"), rows = byId("rows");
  const readout = byId("readout"), skip = byId("skip");
  const sent = data.sent, total = sent.t.length;
  const CONTENT = { s: "header in a sync slot", t: "header in a traffic slot", p: "payload" };
  const ROW = 17, FOOT = 26;

  // Times are differences in the data.
  for (let i = 1; i < total; i += 1) sent.t[i] += sent.t[i - 1];
  const KIND = sent.w.map((waited, i) =>
    waited === 0 ? "idle" : sent.h[i] === 0 ? "lost" : sent.k[i] === "p" ? "payload" : "header");

  // ---- the time axis: true microseconds to places and back; long silences may be left out ----
  const full = [[0, data.end, 0, data.end / 1e6, 0]];
  let axis = data.axis;
  const end = () => axis[axis.length - 1][3];
  const place = (us) => {
    const s = axis.find((a) => us <= a[1]) || axis[axis.length - 1];
    const share = (us - s[0]) / Math.max(1, s[1] - s[0]);
    return s[2] + Math.min(1, Math.max(0, share)) * (s[3] - s[2]);
  };
  const time = (at) => {
    const s = axis.find((a) => at <= a[3]) || axis[axis.length - 1];
    return s[0] + (at - s[2]) / Math.max(1e-9, s[3] - s[2]) * (s[1] - s[0]);
  };
  let places = [], ends = [];
  const settle = () => {
    places = sent.t.map(place);
    ends = sent.t.map((t, i) => place(t + sent.d[i]));
  };

  // ---- what is seen ----
  const seen = { from: 0, to: 1, low: -0.5, high: data.count - 0.5 };
  const LEAST = Math.max(4 * data.slot / 1e6, 1e-3);
  let chosen = -1, width = 0, tall = 0, gutter = 0;
  const right = () => width - 8;
  const x = (at) => gutter + (at - seen.from) / (seen.to - seen.from) * (right() - gutter);
  const unx = (px) => seen.from + (px - gutter) / (right() - gutter) * (seen.to - seen.from);
  const y = (channel) => (seen.high - channel) / (seen.high - seen.low) * (tall - FOOT);
  const uny = (py) => seen.high - py / (tall - FOOT) * (seen.high - seen.low);

  const show = (from, to) => {
    const span = Math.min(end(), Math.max(LEAST, to - from));
    seen.from = Math.min(Math.max(0, from + (to - from - span) / 2), end() - span);
    seen.to = seen.from + span;
    ask();
  };
  const zoom = (times, at) => {
    const about = at === undefined ? (seen.from + seen.to) / 2 : at;
    const span = Math.min(end(), Math.max(LEAST, (seen.to - seen.from) * times));
    const share = (about - seen.from) / (seen.to - seen.from);
    show(about - share * span, about - share * span + span);
  };
  const pan = (share) => {
    const by = share * (seen.to - seen.from);
    show(seen.from + by, seen.to + by);
  };
  const tune = (low, high) => {
    const span = Math.min(data.count, Math.max(6, high - low));
    seen.low = Math.min(Math.max(-0.5, low + (high - low - span) / 2), data.count - 0.5 - span);
    seen.high = seen.low + span;
    ask();
  };
  const everything = () => {
    tune(-0.5, data.count - 0.5);
    show(0, end());
  };

  // ---- colours come from the style sheet, so light, dark and paper are one place's business ----
  let ink = {};
  const colours = () => {
    const style = getComputedStyle(document.documentElement);
    ink = {};
    for (const name of ["paper", "ink", "soft", "rule", "heard", "lost", "idle", "tint", "hatch",
      "quiet", "speak", "focus"]) ink[name] = style.getPropertyValue("--" + name).trim();
  };
  const patterns = new Map();
  const pattern = (c, kind, colour) => {
    const key = kind + colour;
    if (patterns.has(key)) return c.createPattern(patterns.get(key), "repeat");
    const tile = document.createElement("canvas");
    tile.width = tile.height = 6;
    const t = tile.getContext("2d");
    t.strokeStyle = t.fillStyle = colour;
    t.lineWidth = 1.3;
    t.beginPath();
    if (kind === "rising") for (const o of [-6, 0, 6]) { t.moveTo(o, 6); t.lineTo(o + 6, 0); }
    if (kind === "upright") { t.moveTo(1.5, 0); t.lineTo(1.5, 6); t.moveTo(4.5, 0); t.lineTo(4.5, 6); }
    if (kind === "chequer") { t.rect(0, 0, 3, 3); t.rect(3, 3, 3, 3); t.fill(); }
    if (kind === "dots") { t.rect(1, 1, 1.6, 1.6); t.rect(4, 4, 1.6, 1.6); t.fill(); }
    if (kind !== "dots" && kind !== "chequer") t.stroke();
    patterns.set(key, tile);
    return c.createPattern(tile, "repeat");
  };

  // ---- marks: told apart by shape ----
  const mark = (c, kind, px, py, r) => {
    c.beginPath();
    c.fillStyle = c.strokeStyle = ink[kind === "lost" || kind === "idle" ? kind : "heard"];
    c.lineWidth = 1.4;
    if (kind === "header") {
      c.moveTo(px - r - 1, py + r); c.lineTo(px + r + 1, py + r); c.lineTo(px, py - r - 1);
      c.fill();
    } else if (kind === "payload") {
      c.arc(px, py, r * 0.8, 0, 7); c.fill();
    } else if (kind === "lost") {
      c.moveTo(px - r, py - r); c.lineTo(px + r, py + r);
      c.moveTo(px + r, py - r); c.lineTo(px - r, py + r); c.stroke();
    } else { c.arc(px, py, r, 0, 7); c.stroke(); }
  };

  // ---- states of stations: told apart by height and pattern ----
  const state = (c, code, left, top, wide, high) => {
    const bar = (share, fill) => {
      const h = Math.round(high * share);
      c.fillStyle = fill;
      c.fillRect(left, top + (high - h) / 2, wide, h);
    };
    const line = (dash, offset) => {
      c.strokeStyle = ink.soft; c.lineWidth = 1.6; c.setLineDash(dash);
      c.beginPath();
      c.moveTo(left, top + high / 2 + offset); c.lineTo(left + wide, top + high / 2 + offset);
      c.stroke(); c.setLineDash([]);
    };
    if (code === 1) bar(0.45, pattern(c, "dots", ink.lost));
    if (code === 2) line([], 0);
    if (code === 3) line([7, 5], 0);
    if (code === 4) bar(0.62, pattern(c, "rising", ink.idle));
    if (code === 5) bar(0.62, ink.heard);
    if (code === 6) bar(1, pattern(c, "upright", ink.speak));
    if (code === 7) bar(1, ink.speak);
    if (code === 8) bar(1, pattern(c, "chequer", ink.speak));
    if (code === 9) { line([], -2.5); line([], 2.5); }
  };

  const size = (canvas, high) => {
    const scale = window.devicePixelRatio || 1;
    canvas.style.height = high + "px";
    const [w, h] = [Math.round(width * scale), Math.round(high * scale)];
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    const c = canvas.getContext("2d");
    c.setTransform(scale, 0, 0, scale, 0, 0);
    c.clearRect(0, 0, width, high);
    c.font = "12px system-ui, sans-serif";
    return c;
  };
  const clipped = (c, high, body) => {
    c.save();
    c.beginPath(); c.rect(gutter, 0, right() - gutter, high); c.clip();
    body();
    c.restore();
  };

  /// Silences that are left out: a quiet strip with a zigzag edge.
  const silences = (c, high, words) => {
    for (const [from, to, a, b, silent] of axis) {
      if (!silent || b < seen.from || a > seen.to) continue;
      const [l, r] = [x(a), x(b)];
      c.fillStyle = ink.quiet; c.fillRect(l, 0, r - l, high);
      c.strokeStyle = ink.soft; c.lineWidth = 1;
      for (const edge of [l, r]) {
        c.beginPath();
        for (let py = 0, k = 0; py <= high; py += 6, k += 1) c.lineTo(edge + (k % 2 ? 2 : -2), py);
        c.stroke();
      }
      if (!words || r - l < 15) continue;
      const minutes = Math.round((to - from) / 6e7);
      const long = minutes < 100 ? minutes + " min" : (minutes / 60).toFixed(1) + " h";
      c.save();
      c.translate((l + r) / 2, high / 2); c.rotate(-Math.PI / 2);
      c.fillStyle = ink.ink; c.textAlign = "center"; c.textBaseline = "middle";
      c.fillText(long + " of silence left out", 0, 0);
      c.restore();
    }
  };

  const seconds = (us, digits) => (us / 1e6).toFixed(digits) + " s";
  const mhz = (channel) => ((data.base + channel * data.spacing) / 1e6).toFixed(3);

  const timeTicks = (c, top, high) => {
    const span = seen.to - seen.from, room = (right() - gutter) / 82;
    let step = 1e-3;
    for (let k = 0; step < span / room; k += 1) step = 1e-3 * Math.pow(10, Math.floor(k / 3)) * [1, 2, 5][k % 3];
    const digits = Math.max(0, Math.min(3, -Math.floor(Math.log10(step) + 1e-9)));
    c.fillStyle = ink.soft; c.strokeStyle = ink.rule; c.textAlign = "center"; c.textBaseline = "top";
    let last = gutter;
    for (const [from, to, a, b, silent] of axis) {
      if (silent || b < seen.from || a > seen.to) continue;
      const first = Math.ceil(Math.max(from / 1e6, (from / 1e6) + (seen.from - a)) / step) * step;
      for (let s = first; s <= to / 1e6 + 1e-9 && a + s - from / 1e6 <= seen.to; s += step) {
        const px = x(a + s - from / 1e6), words = s.toFixed(digits), half = c.measureText(words).width / 2;
        c.globalAlpha = 0.45;
        c.beginPath(); c.moveTo(px, 0); c.lineTo(px, top); c.stroke();
        c.globalAlpha = 1;
        if (px - half < last || px + half > right() - 12) continue;
        c.fillText(words, px, top + 6);
        last = px + half + 10;
      }
    }
    if (high > top) { c.textAlign = "right"; c.fillText("s", right() + 4, top + 6); }
  };

  const visible = () => {
    const found = [];
    for (let i = 0; i < total; i += 1) {
      if (ends[i] < seen.from || places[i] > seen.to) continue;
      if (sent.c[i] < seen.low || sent.c[i] > seen.high) continue;
      found.push(i);
    }
    return found;
  };

  const drawField = () => {
    const c = size(field, tall), high = tall - FOOT;
    clipped(c, high, () => {
      for (const [, from, to, pieces] of data.interferers) {
        if (place(to) < seen.from || place(from) > seen.to) continue;
        const [l, r] = [x(place(from)), x(place(to))];
        for (const [low, top] of pieces) {
          const [a, b] = [y(top + 0.5), y(low - 0.5)];
          c.fillStyle = ink.tint; c.fillRect(l, a, r - l, b - a);
          c.globalAlpha = 0.55; c.fillStyle = pattern(c, "rising", ink.hatch); c.fillRect(l, a, r - l, b - a);
          c.globalAlpha = 1;
        }
      }
      silences(c, high, true);
    });
    timeTicks(c, high, tall);
    // Channels and frequencies at the side.
    c.textAlign = "right"; c.textBaseline = "middle"; c.fillStyle = ink.soft; c.strokeStyle = ink.rule;
    const every = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000].find((n) =>
      n * high / (seen.high - seen.low) >= 22) || 2000;
    for (let ch = Math.ceil(seen.low / every) * every; ch <= seen.high; ch += every) {
      const py = y(ch);
      if (py < 7 || py > high - 5) continue;
      c.fillText(width < 560 ? String(ch) : ch + " \u00b7 " + mhz(ch), gutter - 7, py);
      c.beginPath(); c.moveTo(gutter - 4, py); c.lineTo(gutter, py); c.stroke();
    }
    c.fillText(width < 560 ? "ch." : "channel \u00b7 MHz", gutter - 7, high + 13);
    c.strokeStyle = ink.soft; c.lineWidth = 1;
    c.strokeRect(gutter - 0.5, 0.5, right() - gutter + 1, high - 1);
    clipped(c, high, () => {
      const slot = data.slot / 1e6 / (seen.to - seen.from) * (right() - gutter);
      const pitch = high / (seen.high - seen.low);
      const r = Math.max(pitch < 2.2 ? 1.3 : 2, Math.min(6, slot * 0.25, pitch * 0.8 + 1));
      const list = visible();
      // What is rare lies on top.
      for (const kind of ["idle", "payload", "lost", "header"]) {
        for (const i of list) {
          if (KIND[i] !== kind) continue;
          const [l, e, m] = [x(places[i]), x(ends[i]), y(sent.c[i])];
          if (e - l > 14) {
            const h = Math.max(5, Math.min(18, pitch * 0.8));
            c.globalAlpha = 0.3; c.fillStyle = ink[kind === "lost" || kind === "idle" ? kind : "heard"];
            c.fillRect(l, m - h / 2, e - l, h);
            c.globalAlpha = 1; c.strokeStyle = c.fillStyle; c.lineWidth = 1;
            c.strokeRect(l + 0.5, m - h / 2 + 0.5, e - l - 1, h - 1);
          }
          mark(c, kind, e - l > 14 ? l + r + 4 : (l + e) / 2, m, r);
        }
      }
      if (chosen >= 0) {
        const [l, e, m] = [x(places[chosen]), x(ends[chosen]), y(sent.c[chosen])], px = (l + e) / 2;
        c.strokeStyle = ink.focus; c.lineWidth = 2.5;
        c.beginPath();
        if (e - l > 14) c.rect(l - 4, m - 13, e - l + 8, 26); else c.arc(px, m, 10, 0, 7);
        c.stroke();
        c.lineWidth = 1; c.setLineDash([3, 3]);
        c.beginPath(); c.moveTo(px, 0); c.lineTo(px, high); c.stroke(); c.setLineDash([]);
      }
    });
  };

  const drawRows = () => {
    const high = data.stations.length * ROW, c = size(rows, high + FOOT);
    c.textBaseline = "middle"; c.textAlign = "right";
    data.stations.forEach(([name], n) => {
      const top = n * ROW;
      // Names often differ at their ends: it is the middle that is left out.
      let words = name;
      for (let keep = name.length - 1; keep > 4 && c.measureText(words).width > gutter - 12; keep -= 1) {
        words = name.slice(0, keep - 3) + "\u2026" + name.slice(-3);
      }
      c.fillStyle = chosen >= 0 && sent.n[chosen] === n ? ink.focus : ink.ink;
      c.fillText(words, gutter - 7, top + ROW / 2);
      c.strokeStyle = ink.rule; c.lineWidth = 0.5;
      c.beginPath(); c.moveTo(gutter, top + ROW - 0.5); c.lineTo(right(), top + ROW - 0.5); c.stroke();
    });
    clipped(c, high, () => {
      data.lanes.forEach((lane, n) => {
        for (let k = 0; k < lane.length; k += 2) {
          const from = place(lane[k]), to = place(k + 2 < lane.length ? lane[k + 2] : data.end);
          if (to < seen.from || from > seen.to) continue;
          const [l, r] = [Math.max(gutter, x(from)), Math.min(right(), x(to))];
          state(c, lane[k + 1], l, n * ROW + 2, Math.max(r - l, 0.8), ROW - 4);
        }
      });
      silences(c, high, false);
      if (chosen >= 0) {
        const px = x((places[chosen] + ends[chosen]) / 2);
        c.strokeStyle = ink.focus; c.lineWidth = 1; c.setLineDash([3, 3]);
        c.beginPath(); c.moveTo(px, 0); c.lineTo(px, high); c.stroke(); c.setLineDash([]);
      }
    });
    c.fillStyle = ink.soft;
    timeTicks(c, high, high + FOOT);
  };

  let asked = false;
  const draw = () => {
    asked = false;
    width = view.clientWidth;
    if (!width) return;
    gutter = width < 560 ? 96 : 132;
    tall = Math.round(Math.max(260, Math.min(420, width * 0.4)));
    colours();
    drawField();
    drawRows();
    view.dataset.from = seen.from.toFixed(4);
    view.dataset.to = seen.to.toFixed(4);
    view.dataset.low = seen.low.toFixed(2);
    view.dataset.high = seen.high.toFixed(2);
  };
  function ask() {
    if (asked) return;
    asked = true;
    requestAnimationFrame(draw);
  }

  // ---- reading ----
  const outcome = (i) => sent.w[i] === 0 ? "no radio waited for it"
    : sent.h[i] === 0 ? "heard by none of " + sent.w[i] + " radios that waited"
      : "heard by " + sent.h[i] + " of " + sent.w[i] + " radios that waited";
  const about = (i) => {
    const [name, address, lane] = data.stations[sent.n[i]];
    const parts = [seconds(sent.t[i], 6)];
    parts.push(sent.s[i] < 0 ? "no slot of home time" : "slot " + sent.s[i]);
    parts.push(name + " (" + address + (lane ? ", lane " + lane : "") + ")");
    parts.push("channel " + sent.c[i] + ", " + mhz(sent.c[i]) + " MHz");
    parts.push(CONTENT[sent.k[i]] + (sent.o[i] < 0 ? "" : ", over to " + data.overs[sent.o[i]]));
    parts.push(outcome(i) + (sent.i[i] === "1" ? "; an interferer was on the channel" : ""));
    return parts.join(" \u00b7 ");
  };
  const say = (words) => { if (readout.textContent !== words) readout.textContent = words; };
  const choose = (i, follow) => {
    chosen = i;
    if (i < 0) { say("Nothing chosen."); ask(); return; }
    say(about(i));
    if (follow) {
      const at = (places[i] + ends[i]) / 2, span = seen.to - seen.from;
      if (at < seen.from || at > seen.to) show(at - span / 2, at + span / 2);
      const ch = sent.c[i], tallness = seen.high - seen.low;
      if (ch < seen.low || ch > seen.high) tune(ch - tallness / 2, ch + tallness / 2);
    }
    ask();
  };
  const step = (by) => {
    let i = chosen < 0 ? (by > 0 ? places.findIndex((p) => p >= seen.from)
      : places.findLastIndex((p) => p <= seen.to)) : chosen + by;
    i = Math.max(0, Math.min(total - 1, i));
    if (total > 0) choose(i, true);
  };
  const nearest = (px, py) => {
    let best = -1, least = 14 * 14;
    for (const i of visible()) {
      const [l, e] = [x(places[i]), x(ends[i])];
      const dx = px < l ? l - px : px > e ? px - e : 0, dy = y(sent.c[i]) - py;
      const d = dx * dx + dy * dy;
      if (d < least) { least = d; best = i; }
    }
    return best;
  };
  const interferersAt = (us, channel) => data.interferers.filter(([, from, to, pieces]) =>
    from <= us && us < to && pieces.some(([low, high]) => low <= channel && channel <= high)).map((i) => i[0]);
  const hover = (event) => {
    const box = field.getBoundingClientRect(), px = event.clientX - box.left, py = event.clientY - box.top;
    if (px < gutter || px > right()) return;
    const us = time(unx(px));
    if (py >= 0 && py < tall - FOOT) {
      const i = nearest(px, py);
      if (i >= 0) { if (i !== chosen) choose(i, false); return; }
      const channel = Math.round(uny(py)), on = interferersAt(us, channel);
      say(seconds(us, 3) + " \u00b7 channel " + channel + ", " + mhz(channel) + " MHz"
        + (on.length ? " \u00b7 " + on.join(", ") + " (simulated)" : ""));
      return;
    }
    const n = Math.floor((event.clientY - rows.getBoundingClientRect().top) / ROW);
    if (n < 0 || n >= data.stations.length) return;
    const lane = data.lanes[n];
    let k = 0;
    while (k + 2 < lane.length && lane[k + 2] <= us) k += 2;
    const until = k + 2 < lane.length ? lane[k + 2] : data.end;
    say(seconds(us, 3) + " \u00b7 " + data.stations[n][0] + " (" + data.stations[n][1] + ") is "
      + data.states[lane[k + 1]] + ", from " + seconds(lane[k], 3) + " to " + seconds(until, 3));
  };

  // ---- mouse, fingers, wheel ----
  const held = new Map();
  let grip = null;
  const take = () => {
    const at = [...held.values()];
    grip = at.length ? { at, from: seen.from, to: seen.to, low: seen.low, high: seen.high } : null;
    view.classList.toggle("dragged", at.length > 0);
  };
  view.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    view.setPointerCapture(event.pointerId);
    held.set(event.pointerId, [event.clientX, event.clientY]);
    take();
    hover(event);
  });
  view.addEventListener("pointermove", (event) => {
    if (!held.has(event.pointerId)) { hover(event); return; }
    held.set(event.pointerId, [event.clientX, event.clientY]);
    const now = [...held.values()], room = right() - gutter, span = grip.to - grip.from;
    if (now.length === 1) {
      const by = (grip.at[0][0] - now[0][0]) / room * span;
      show(grip.from + by, grip.to + by);
      const up = (now[0][1] - grip.at[0][1]) / (tall - FOOT) * (grip.high - grip.low);
      if (event.pointerType === "mouse") tune(grip.low + up, grip.high + up);
    } else if (now.length === 2) {
      const apart = (p) => Math.max(10, Math.abs(p[0][0] - p[1][0]));
      const middle = (p) => (p[0][0] + p[1][0]) / 2 - field.getBoundingClientRect().left;
      const wide = span * apart(grip.at) / apart(now);
      const about = grip.from + (middle(grip.at) - gutter) / room * span;
      const left = about - (middle(now) - gutter) / room * wide;
      show(left, left + wide);
    }
  });
  for (const over of ["pointerup", "pointercancel"]) {
    view.addEventListener(over, (event) => { held.delete(event.pointerId); take(); });
  }
  view.addEventListener("wheel", (event) => {
    if (document.activeElement !== view && !event.ctrlKey) return;
    event.preventDefault();
    const turn = event.deltaMode === 1 ? 30 : 1;
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      pan((event.deltaX || event.deltaY) * turn / 800);
    } else {
      const px = event.clientX - field.getBoundingClientRect().left;
      zoom(Math.exp(event.deltaY * turn / 400), unx(Math.min(right(), Math.max(gutter, px))));
    }
  }, { passive: false });

  // ---- keys and buttons ----
  const keys = {
    ArrowLeft: (shift) => pan(shift ? -0.5 : -0.1), ArrowRight: (shift) => pan(shift ? 0.5 : 0.1),
    ArrowUp: () => { const by = (seen.high - seen.low) / 8; tune(seen.low + by, seen.high + by); },
    ArrowDown: () => { const by = (seen.high - seen.low) / 8; tune(seen.low - by, seen.high - by); },
    PageUp: () => { const by = (seen.high - seen.low) / 6; tune(seen.low + by, seen.high - by); },
    PageDown: () => { const by = (seen.high - seen.low) / 4; tune(seen.low - by, seen.high + by); },
    "+": () => closer(0.6), "=": () => closer(0.6), "-": () => closer(1 / 0.6),
    ".": () => step(1), ",": () => step(-1), Home: everything, Escape: () => choose(-1),
  };
  function closer(times) {
    const at = chosen >= 0 ? (places[chosen] + ends[chosen]) / 2 : undefined;
    zoom(times, at !== undefined && at >= seen.from && at <= seen.to ? at : undefined);
  }
  view.addEventListener("keydown", (event) => {
    const act = keys[event.key];
    if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    act(event.shiftKey);
  });
  const does = {
    earlier: () => pan(-0.5), later: () => pan(0.5), in: () => closer(0.5), out: () => closer(2), all: everything,
  };
  for (const button of document.querySelectorAll("[data-do]")) {
    button.addEventListener("click", () => does[button.dataset.do]());
  }
  skip.addEventListener("change", () => {
    const [from, to] = [time(seen.from), time(seen.to)], all = seen.to - seen.from > end() * 0.999;
    axis = skip.checked ? data.axis : full;
    settle();
    if (all) everything(); else show(place(from), place(to));
  });
  for (const button of document.querySelectorAll("[data-at]")) {
    button.addEventListener("click", () => {
      const at = place(Number(button.dataset.at));
      show(at - 1, at + 5);
      byId("band").scrollIntoView();
      view.focus({ preventScroll: true });
    });
  }

  // ---- the key to the picture ----
  const legend = byId("legend");
  const entry = (words, paint) => {
    const item = document.createElement("span"), canvas = document.createElement("canvas");
    canvas.setAttribute("aria-hidden", "true");
    item.append(canvas, words);
    legend.append(item);
    return () => {
      const scale = window.devicePixelRatio || 1;
      canvas.width = 34 * scale; canvas.height = 18 * scale;
      const c = canvas.getContext("2d");
      c.setTransform(scale, 0, 0, scale, 0, 0);
      paint(c);
    };
  };
  const met = new Set(data.lanes.flatMap((lane) => lane.filter((_, k) => k % 2)));
  const entries = [
    entry("triangle: header, heard by someone", (c) => mark(c, "header", 17, 9, 4)),
    entry("dot: payload, heard by someone", (c) => mark(c, "payload", 17, 9, 4)),
    entry("cross: heard by nobody", (c) => mark(c, "lost", 17, 9, 4)),
    entry("ring: nobody waited for it", (c) => mark(c, "idle", 17, 9, 4)),
    entry("hatched: interference (simulated)", (c) => {
      c.fillStyle = ink.tint; c.fillRect(0, 0, 34, 18);
      c.fillStyle = pattern(c, "rising", ink.hatch); c.fillRect(0, 0, 34, 18);
    }),
    ...data.states.map((name, code) => [name, code]).filter(([, code]) => met.has(code)).map(([name, code]) =>
      entry((code ? "station " : "empty: station ") + name, (c) => state(c, code, 0, 2, 34, 14))),
  ];
  const legendAndPicture = () => { colours(); patterns.clear(); entries.forEach((paint) => paint()); draw(); };

  byId("picture").hidden = false;
  settle();
  everything();
  legendAndPicture();
  new ResizeObserver(ask).observe(view);
  for (const query of ["print", "(prefers-color-scheme: dark)"]) {
    window.matchMedia(query).addEventListener("change", legendAndPicture);
  }
  window.addEventListener("beforeprint", legendAndPicture);
  window.addEventListener("afterprint", legendAndPicture);
})();
