// Draws amps against the limit, and volts, from columns of the API. Where the highest leg is over the limit the space
// between is shaded and hatched. A gap in the readings stays a gap.
"use strict";
(() => {
  const holder = document.getElementById("charts");
  if (!holder || typeof uPlot === "undefined") return;
  const phases = Number(holder.dataset.phases) === 3 ? 3 : 1;
  const zone = holder.dataset.zone;
  const says = holder.querySelector(".chart-says");
  const places = { amps: holder.querySelector(".chart.amps"), volts: holder.querySelector(".chart.volts") };
  const EVERY = { 2: 10, 12: 60, 48: 240 };
  const LEGS = ["l1", "l2", "l3"].slice(0, phases);
  const LINES = ["v12", "v23", "v31"].slice(0, phases);
  const DASHES = [[], [6, 3], [2, 3]];
  let hours = 2;
  let plots = [];
  let data = null;
  let asked = 0;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const clock = new Intl.DateTimeFormat("en-US", { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: zone });
  const day = new Intl.DateTimeFormat("en-US", { month: "short", day: "numeric", timeZone: zone });
  const local = (date) => {
    // uPlot places its ticks by the hours of this date's own fields: give it the site's.
    const parts = Object.fromEntries(new Intl.DateTimeFormat("en-US", {
      year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric", hourCycle: "h23", timeZone: zone,
    }).formatToParts(date).map((part) => [part.type, Number(part.value)]));
    return new Date(parts.year, parts.month - 1, parts.day, parts.hour, parts.minute, parts.second);
  };

  const columns = (raw, every) => {
    const at = raw.time.map((text) => Date.parse(text) / 1000);
    const names = ["highest", "limit", ...LEGS, ...LINES];
    const out = { time: [], ...Object.fromEntries(names.map((name) => [name, []])) };
    const put = (time, row) => {
      out.time.push(time);
      for (const name of names) out[name].push(row ? row(name) : null);
    };
    const steps = at.slice(1).map((one, index) => one - at[index]).sort((a, b) => a - b);
    const gap = Math.max(3 * every, 3 * (steps[Math.floor(steps.length / 2)] || 0));
    at.forEach((time, index) => {
      if (index && time - at[index - 1] > gap) put(at[index - 1] + 1, null);
      put(time, (name) => {
        if (name === "limit") return raw.limit_amps_mean[index];
        if (name === "highest") {
          const all = LEGS.map((leg) => raw[`${leg}_amps_mean`][index]).filter((one) => one !== null);
          return all.length ? Math.max(...all) : null;
        }
        return name[0] === "l" ? raw[`${name}_amps_mean`][index] : raw[`${name}_mean`][index];
      });
    });
    return out;
  };

  const hatch = (colourOf) => {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 8;
    const pen = tile.getContext("2d");
    pen.strokeStyle = colourOf;
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(-2, 2); pen.lineTo(2, -2); pen.moveTo(0, 8); pen.lineTo(8, 0); pen.moveTo(6, 10); pen.lineTo(10, 6);
    pen.stroke();
    return tile;
  };

  // Fills between highest leg (series 1) and limit (series 2) where the first lies above.
  const shade = (plot) => {
    const [times, highest, limit] = plot.data;
    const pen = plot.ctx;
    pen.save();
    pen.beginPath();
    pen.rect(plot.bbox.left, plot.bbox.top, plot.bbox.width, plot.bbox.height);
    pen.clip();
    pen.fillStyle = pen.createPattern(hatch(colour("limit")), "repeat");
    const x = (time) => plot.valToPos(time, "x", true);
    const y = (amps) => plot.valToPos(amps, "y", true);
    const cross = (a, b) => {
      const from = highest[a] - limit[a], to = highest[b] - limit[b];
      const share = from / (from - to);
      return [times[a] + share * (times[b] - times[a]), limit[a] + share * (limit[b] - limit[a])];
    };
    const known = (index) => highest[index] !== null && limit[index] !== null;
    for (let i = 1; i < times.length; i++) {
      if (!known(i - 1) || !known(i)) continue;
      const before = highest[i - 1] > limit[i - 1], after = highest[i] > limit[i];
      if (!before && !after) continue;
      const left = before ? [times[i - 1], highest[i - 1], limit[i - 1]] : (([t, a]) => [t, a, a])(cross(i - 1, i));
      const right = after ? [times[i], highest[i], limit[i]] : (([t, a]) => [t, a, a])(cross(i - 1, i));
      pen.beginPath();
      pen.moveTo(x(left[0]), y(left[1]));
      pen.lineTo(x(right[0]), y(right[1]));
      pen.lineTo(x(right[0]), y(right[2]));
      pen.lineTo(x(left[0]), y(left[2]));
      pen.closePath();
      pen.fill();
    }
    pen.restore();
  };

  const axes = (unit, digits) => {
    const common = { stroke: colour("ink"), grid: { stroke: colour("grid"), width: 1 }, ticks: { stroke: colour("grid"), width: 1 }, font: "14px sans-serif" };
    return [
      { ...common, space: 64, values: (_, ticks) => {
        let before = "";
        return ticks.map((tick) => {
          const date = new Date(tick * 1000), today = day.format(date);
          const text = hours > 2 && today !== before ? `${clock.format(date)}\n${today}` : clock.format(date);
          before = today;
          return text;
        });
      } },
      { ...common, size: 62, values: (_, ticks) => ticks.map((tick) => `${tick.toFixed(digits(ticks))} ${unit}`) },
    ];
  };
  const coarse = (ticks) => (ticks.length > 1 && ticks[1] - ticks[0] < 1 ? 1 : 0);

  const line = (name, shown, width, dash) => ({ label: shown, stroke: colour(name), width, dash, points: { show: false }, spanGaps: false });

  // From 0 when the fan stood still in this span; else close enough to see how near the limit it runs.
  const amps = (_, low, high) => {
    if (low === null || high === null) return [0, 1];
    // A start caught by chance, at five times full load, must not press all else flat: it leaves the chart at its top.
    const limit = Math.max(0, ...data.limit.filter((one) => one !== null));
    if (limit > 0) high = Math.min(high, Math.max(2 * limit, low));
    const from = low > 0.5 * high ? low - Math.max(0.25 * (high - low), 0.04 * high) : 0;
    return [from, high + Math.max(0.08 * (high - from), 0.02 * high)];
  };

  const draw = () => {
    plots.forEach((plot) => plot.destroy());
    plots = [];
    if (!data || !data.time.length) return;
    const span = { min: data.time[data.time.length - 1] - hours * 3600, max: data.time[data.time.length - 1] };
    const make = (place, series, values, range, hooks, unit) => {
      plots.push(new uPlot({
        width: place.clientWidth, height: place.clientHeight, tzDate: (at) => local(new Date(at * 1000)),
        legend: { show: false }, cursor: { show: false }, select: { show: false },
        scales: { x: { time: true, range: () => [span.min, span.max] }, y: { range } },
        axes: axes(unit, coarse), series: [{}, ...series], hooks,
      }, [data.time, ...values], place));
    };
    const legs = phases === 3 ? LEGS : [];
    make(
      places.amps,
      [line("highest", "highest leg", 2.4), line("limit", "limit", 2, [8, 4]), ...legs.map((leg, at) => line(leg, leg, 1.3, DASHES[at]))],
      [data.highest, data.limit, ...legs.map((leg) => data[leg])],
      amps,
      { drawClear: [shade] },
      "A",
    );
    const volts = LINES.some((name) => data[name].some((one) => one !== null));
    places.volts.hidden = !volts;
    if (volts) {
      make(
        places.volts,
        LINES.map((name, at) => line(LEGS[at], name, 1.8, DASHES[at])),
        LINES.map((name) => data[name]),
        (_, low, high) => [(low ?? 0) - Math.max(2, ((high ?? 0) - (low ?? 0)) * 0.15), (high ?? 1) + Math.max(2, ((high ?? 0) - (low ?? 0)) * 0.15)],
        {},
        "V",
      );
    }
  };

  const load = async () => {
    const mine = ++asked;
    const every = EVERY[hours];
    const newest = holder.dataset.newest ? Date.parse(holder.dataset.newest) : Date.now();
    const query = new URLSearchParams({ from: new Date(newest - hours * 3600e3).toISOString(), to: new Date(newest).toISOString(), every });
    let answer;
    try {
      answer = await fetch(`${holder.dataset.readings}?${query}`);
    } catch {
      says.textContent = "The readings cannot be loaded just now.";
      return;
    }
    if (mine !== asked) return;
    if (!answer.ok) { says.textContent = "The readings cannot be loaded just now."; return; }
    data = columns((await answer.json()).columns, every);
    const over = data.highest.filter((amps, at) => amps !== null && data.limit[at] !== null && amps > data.limit[at]).length;
    const zoneName = new Intl.DateTimeFormat("en-US", { timeZone: zone, timeZoneName: "short" }).formatToParts(new Date(newest)).find((part) => part.type === "timeZoneName").value;
    says.textContent = data.time.length
      ? `The last ${hours} h to the newest reading, ${zoneName}.` + (over ? " Hatched: over the limit." : "")
      : `No readings in the last ${hours} h.`;
    draw();
  };

  for (const button of holder.querySelectorAll("button[data-hours]")) {
    button.addEventListener("click", () => {
      hours = Number(button.dataset.hours);
      for (const one of holder.querySelectorAll("button[data-hours]")) one.setAttribute("aria-pressed", String(one === button));
      load();
    });
  }

  // New readings come in by the live stream; the charts follow every half minute, or as often as there is one.
  let due = null;
  document.addEventListener("fan", (event) => {
    if (event.detail.time) holder.dataset.newest = event.detail.time;
    due ??= setTimeout(() => { due = null; if (!document.hidden) load(); }, hours === 2 ? 10000 : 30000);
  });
  let width = holder.clientWidth;
  new ResizeObserver(() => { if (holder.clientWidth !== width) { width = holder.clientWidth; draw(); } }).observe(holder);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  load();
})();
