// What the page shows is only ever put in as text, never as markup: names come from files and buses.
"use strict";

const token = location.hash.slice(1);
const $ = (id) => document.getElementById(id);
let last = null;      // the last picture that came
let heard = 0;        // when it came, by this page's own clock
const SILENT_MS = 1000;

function make(tag, className, text) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

function seconds(ms) { return (ms / 1000).toFixed(1) + " s"; }

function clock(ms) { return new Date(ms).toLocaleTimeString(); }

function show(picture) {
  last = picture;
  heard = performance.now();
  if (!picture.standing) {
    document.body.className = "waiting";
    $("standing").textContent = picture.says;
    $("car").textContent = picture.session;
    for (const id of ["alarms", "margins", "unarmed", "channels", "first"]) $(id).replaceChildren();
    return;
  }
  document.body.className = picture.standing;
  $("standing").textContent = {
    live: `Watching · judged ${picture.age_ms === null ? "" : seconds(picture.age_ms) + " ago"}`,
    gone: `MONITOR GONE · nothing judged for ${picture.age_ms === null ? "an unknown time" : seconds(picture.age_ms)}`,
    recording: `NOT LIVE · a recording${picture.origin ? " (" + picture.origin + ")" : ""}, over: ${picture.ended}`,
  }[picture.standing];
  $("car").textContent = `${picture.car} · ${picture.profile} · ${picture.session} · ${clock(picture.wall_ms)}`
    + (picture.gap ? " · something is missing before this" : "");
  showAlarms(picture.alarms);
  showMargins(picture.margins);
  $("channels").replaceChildren(...picture.channels.map((one) => {
    const line = make("div");
    line.append(make("dt", "", one.name.replaceAll("_", " ")), make("dd", one.known ? "" : "unknown", one.shown));
    return line;
  }));
  const news = picture.news.at(-1);
  $("happened").textContent = news ? `${seconds(news.time_ms)} into the session: ${news.words}` : "";
}

function showAlarms(alarms) {
  const told = alarms.filter((one) => one.active || one.asks || one.state.startsWith("latched"));
  $("alarms").replaceChildren(...told.map((one) => {
    const box = make("div", ["alarm", one.priority, one.active ? "active" : "", one.asks ? "asks" : ""].join(" "));
    box.append(make("b", "", one.says));
    const first = one.first_out ? "FIRST OUT · " : "";
    box.append(make("span", "", `${first}${one.priority} · ${one.state} · ${one.reading} · since ${seconds(one.since_ms)}`));
    return box;
  }));
  $("acknowledge").disabled = !alarms.some((one) => one.asks);
}

function bar(one) {
  const box = make("div", one.share === null ? "bar none" : "bar");
  if (one.share !== null) {
    const inner = make("i");
    inner.style.width = `${one.share * 100}%`;
    box.append(inner);
  }
  return box;
}

function reading(one) {
  const name = one.channel.replaceAll("_", " ");
  return one.shown.startsWith(name) ? one.shown : `${name}: ${one.shown}`;
}

function row(one, tag) {
  const line = make(tag, "margin");
  line.append(make("span", "", one.tripped ? `${one.rule} · BEYOND ITS LIMIT` : one.rule));
  line.append(make("span", one.share === null ? "shown unknown" : "shown", reading(one)), bar(one));
  return line;
}

function showMargins(margins) {
  const armed = margins.filter((one) => one.armed);
  const resting = margins.filter((one) => !one.armed);
  $("first").replaceChildren(...(armed.length ? [row(armed[0], "div")] : [make("span", "", "No rule is armed now.")]));
  $("margins").replaceChildren(...armed.slice(1).map((one) => row(one, "li")));
  $("unarmed").replaceChildren(...resting.map((one) => row(one, "li")));
  $("resting").textContent = `Not armed now: ${resting.length}`;
}

function listen() {
  const stream = new EventSource("/stream");
  stream.onmessage = (event) => show(JSON.parse(event.data));
}

setInterval(() => {
  const silent = performance.now() - heard;
  if (heard && silent > SILENT_MS) {
    document.body.className = "cut";
    $("standing").textContent = `NO CONNECTION · what you see is ${seconds(silent)} old`;
  }
}, 250);

async function ask(path, body) {
  try {
    const got = await fetch(path, {
      method: body === undefined ? "GET" : "POST",
      headers: { Authorization: `Bearer ${token}`, "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
    const said = await got.json();
    if (body !== undefined) $("answer").textContent = said.ok ? said.said : `Not done: ${said.why}`;
    return got.ok ? said : null;
  } catch (problem) {
    $("answer").textContent = "Not done: no connection.";
    return null;
  }
}

async function cards() {
  try {
    const got = await (await fetch("/cards")).json();
    $("cards").replaceChildren(...got.map((card) => {
      const box = make("div", "card");
      box.append(make("h2", "", card.title), ...card.lines.map((line) => make("p", "", line)));
      return box;
    }));
  } catch (problem) { /* the banner says that there is no connection */ }
}

function field(one) {
  const label = make("label", "", one.asks);
  let input;
  if (one.choices) {
    input = make("select");
    input.append(...one.choices.map((choice) => {
      const option = make("option", "", choice.says);
      option.value = choice.value;
      return option;
    }));
  } else {
    input = make("input");
    input.inputMode = one.number ? "decimal" : "text";
    input.placeholder = one.last || "";
  }
  input.name = one.name;
  label.append(input);
  return label;
}

async function forms() {
  if (!token) return;
  const known = await ask("/forms");
  if (!known) return;
  $("deeds").hidden = false;
  $("forms").hidden = Object.keys(known).length === 0;
  $("forms").replaceChildren(...Object.entries(known).map(([name, form]) => {
    const box = make("details");
    const made = make("form");
    made.append(...form.fields.map(field), make("button", "", form.button));
    made.onsubmit = async (event) => {
      event.preventDefault();
      const filled = Object.fromEntries([...new FormData(made)].filter(([, value]) => value !== ""));
      if (await ask(`/${name}`, filled)) { made.reset(); forms(); cards(); }
    };
    box.append(make("summary", "", form.title), made);
    return box;
  }));
}

$("acknowledge").onclick = () => ask("/act", { act: "acknowledge" });
$("mark").onclick = () => ask("/act", { act: "mark", text: "from the pit page" });
listen();
forms();
cards();
setInterval(cards, 3000);
