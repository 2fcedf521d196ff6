"use strict";
const $ = (id) => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg";
const THIN = "\u202f";

/** A whole number with thin spaces between its thousands. */
const grouped = (number) => Math.round(number).toString().replace(/\B(?=(\d{3})+$)/g, THIN);

/** Nanoseconds in the unit that fits. */
function time(ns) {
  if (ns >= 1e9) return (ns / 1e9).toPrecision(3) + THIN + "s";
  if (ns >= 1e6) return (ns / 1e6).toPrecision(3) + THIN + "ms";
  if (ns >= 1e3) return (ns / 1e3).toPrecision(3) + THIN + "µs";
  return ns + THIN + "ns";
}

/** Seconds as a person says them. */
function span(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  const two = (number) => String(number).padStart(2, "0");
  if (whole < 60) return whole + THIN + "s";
  if (whole < 3600) return Math.floor(whole / 60) + ":" + two(whole % 60) + THIN + "min";
  return Math.floor(whole / 3600) + ":" + two(Math.floor(whole / 60) % 60) + ":" + two(whole % 60) + THIN + "h";
}

const frames = (count) => grouped(count) + (count === 1 ? " frame" : " frames");

function element(name, text, className) {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  if (className) made.className = className;
  return made;
}

function figure(name, value, className) {
  const box = element("div", undefined, className);
  box.append(element("dt", name), element("dd", value));
  return box;
}

function headline(text, className) {
  const line = $("headline");
  if (line.textContent !== text) line.textContent = text;
  line.className = "headline " + className;
}

const KIND = { pass: "good", fail: "bad", unproven: "unsure" };

function show(state) {
  const { about, now, sums } = state;
  $("what").textContent = `kitproof ${about.command} on ${about.target}`;
  $("chain").textContent = (about.through ? `through ${about.through}; ` : "") + `since ${about.started.replace("T", " ")}`;
  document.title = `kitproof ${about.command}: ${state.verdict ?? state.phase}`;
  const lost = sums.lost_forward + sums.lost_return + sums.lost_direction_unknown;
  if (state.verdict) headline(`Over: ${state.verdict}`, KIND[state.verdict] ?? "plain");
  else if (lost > 0) headline(`${frames(lost)} lost so far: ${grouped(sums.lost_forward)} forward, ${grouped(sums.lost_return)} on return` +
    (sums.lost_direction_unknown ? `, ${grouped(sums.lost_direction_unknown)} nobody knows where` : ""), "bad");
  else if (now && now.missing > 0) headline(`${frames(now.missing)} missing in this trial so far`, "bad");
  else headline(now ? "Nothing lost so far" : `Nothing lost so far; ${state.phase}`, "plain");

  const figures = [];
  $("bar").hidden = !now;
  if (now) {
    const left = now.length_s - now.elapsed_s;
    $("position").textContent = `${now.position} ${now.frame_size} bytes at ${now.load}: ${state.phase}`;
    $("done").style.width = `${Math.min(100, 100 * now.elapsed_s / now.length_s)}%`;
    figures.push(figure("out, frames/s", grouped(now.out_per_s)), figure("back, frames/s", grouped(now.back_per_s)),
      figure("missing", grouped(now.missing), now.missing > 0 ? "bad" : ""));
    if (now.round_trip) figures.push(figure("round trip, median", time(now.round_trip.p50)), figure("round trip, 99 %", time(now.round_trip.p99)));
    figures.push(figure("offered in this trial", grouped(now.offered)), figure("left of it", span(left)));
  } else {
    $("position").textContent = state.phase;
  }
  figures.push(figure("trials over", grouped(sums.trials)), figure("running for", span(state.elapsed_s)));
  $("figures").replaceChildren(...figures);

  const rows = state.trials.slice(-100).reverse().map((trial) => {
    const row = element("tr");
    row.append(element("td", String(trial.frame_size)), element("td", trial.load), element("td", trial.verdict, "verdict " + KIND[trial.verdict]));
    for (const count of [trial.offered, trial.lost_forward, trial.lost_return, trial.dropped_by_pair]) row.append(element("td", grouped(count), "n"));
    return row;
  });
  $("trials").replaceChildren(...rows);
  $("no-trials").hidden = rows.length > 0;

  const WHOSE = { link: "link", pair: "pair", run: "" };
  const events = state.events.slice().reverse().map((event) => {
    const line = element("li");
    const clock = element("time", event.at.slice(11, 19));
    clock.dateTime = event.at;
    line.append(clock);
    if (WHOSE[event.whose]) line.append(element("b", WHOSE[event.whose] + ":", event.whose === "link" ? "bad" : "unsure"));
    line.append(event.text);
    return line;
  });
  $("events").replaceChildren(...events);
}

const WIDTH = 720, HEIGHT = 144, LEFT = 62, BOTTOM = 20, TOP = 8;

/** A round number that is at least so much. */
function ceiling(value) {
  if (!(value > 0)) return 1;
  const power = 10 ** Math.floor(Math.log10(value));
  return [1, 2, 2.5, 5, 10].map((step) => step * power).find((step) => step >= value * 0.999);
}

function svg(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

/** Draws `series` (each a function of a point, or null) over time; `how` is "bars" for columns, "decades" for a logarithmic scale. */
function draw(place, points, series, unit, how) {
  const width = Math.max(280, place.clientWidth || WIDTH);
  const chart = svg("svg", { viewBox: `0 0 ${width} ${HEIGHT}`, preserveAspectRatio: "none", role: "img" });
  const end = points.length ? points.at(-1).at_s : 1;
  const start = points.length ? points[0].at_s - points[0].seconds : 0;
  const values = points.flatMap((point) => series.map((get) => get(point) ?? 0)).filter((value) => value > 0);
  const decades = how === "decades" && values.length > 0;
  const low = decades ? Math.floor(Math.log10(values.reduce((one, other) => Math.min(one, other)))) : 0;
  const most = values.reduce((one, other) => Math.max(one, other), 0);
  const high = decades ? Math.max(low + 1, Math.ceil(Math.log10(most))) : 0;
  const top = ceiling(most);
  const marks = decades ? Array.from({ length: high - low + 1 }, (_, at) => 10 ** (low + at)) : [0, top / 2, top];
  const x = (at) => LEFT + (width - LEFT - 6) * (at - start) / Math.max(1e-9, end - start);
  const share = (value) => decades ? (Math.log10(Math.max(value, 10 ** low)) - low) / (high - low) : value / top;
  const y = (value) => HEIGHT - BOTTOM - (HEIGHT - BOTTOM - TOP) * share(value);
  for (const mark of marks) {
    chart.append(svg("line", { class: "grid", x1: LEFT, x2: width - 6, y1: y(mark), y2: y(mark) }));
    chart.append(svg("text", { x: LEFT - 6, y: y(mark) + 4, "text-anchor": "end" }, unit(mark)));
  }
  for (const part of [0, 0.5, 1]) {
    const at = start + part * (end - start);
    chart.append(svg("text", { x: x(at), y: HEIGHT - 4, "text-anchor": ["start", "middle", "end"][2 * part] }, span(at)));
  }
  series.forEach((get, index) => {
    if (how === "bars") {
      for (const point of points.filter((point) => get(point) > 0)) {
        const from = x(point.at_s - point.seconds);
        chart.append(svg("rect", { class: "lost", x: from, width: Math.max(2, x(point.at_s) - from), y: y(get(point)), height: y(0) - y(get(point)) }));
      }
      return;
    }
    let path = "", before = null;
    for (const point of points) {
      const value = get(point);
      if (value === null || value === undefined) { before = null; continue; }
      const from = point.at_s - point.seconds;
      const joined = before !== null && from - before < 0.6 * point.seconds;
      path += `${joined ? "L" : `M${x(from).toFixed(1)},${y(value).toFixed(1)}L`}${x(point.at_s).toFixed(1)},${y(value).toFixed(1)}`;
      before = point.at_s;
    }
    if (path) chart.append(svg("path", { class: "c" + index, d: path }));
  });
  place.replaceChildren(chart);
}

function drawAll(points) {
  const rate = (get) => (point) => get(point) / point.seconds;
  draw($("rates"), points, [rate((point) => point.offered), rate((point) => point.home)], grouped);
  draw($("losses"), points, [(point) => point.missing], (value) => (value % 1 ? "" : grouped(value)), "bars");
  draw($("latency"), points, ["p50", "p99", "greatest"].map((name) => (point) => point.round_trip?.[name] ?? null), time, "decades");
}

let answered = null, over = false, history = [];

async function renew(what) {
  const answer = await fetch(what, { cache: "no-store" });
  if (!answer.ok) throw new Error(answer.statusText);
  return answer.json();
}

async function tick(count) {
  if (over) return;
  try {
    const state = await renew("state.json");
    show(state);
    over = state.verdict !== null;
    if (over || count % 3 === 0) drawAll(history = await renew("history.json"));
    answered = new Date();
  } catch {
    if (!over) headline(answered
      ? `No answer since ${answered.toLocaleTimeString()}: the run has ended, or this device does not reach the machine. The result is where the command was typed.`
      : "The program does not answer.", "unsure");
  }
  setTimeout(tick, 1000, count + 1);
}

addEventListener("resize", () => drawAll(history));
tick(0);
