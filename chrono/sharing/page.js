"use strict";
// This script shows the data from the server. It computes only places in pictures. All text is
// inserted as text, never as markup. The script gets no hidden values. It sends only guesses.
(() => {
  const LOST_AFTER_MS = 12000; // a little more than two beats
  const AGAIN_MS = 2500;
  const SPOKEN_AFTER_MS = 600;
  const SVG = "http://www.w3.org/2000/svg";
  const at = (id) => document.getElementById(id);
  let state = null, source = null, heardAt = 0, quietSince = 0, lost = false, full = false, speaking = 0;
  let spoken = "", again = 0;

  const put = (id, text) => {
    const place = at(id);
    if (place.textContent !== text) place.textContent = text;
  };
  const make = (name, text, className) => {
    const made = document.createElement(name);
    made.textContent = text;
    if (className) made.className = className;
    return made;
  };
  const draw = (parent, name, attributes, text) => {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    parent.append(made);
    return made;
  };

  // This device stores only a random token, which contains no data about a person.
  const KEPT = "seat";
  let token = "";
  const keptToken = () => {
    try { return localStorage.getItem(KEPT) || token; } catch { return token; }
  };
  const keep = (given) => {
    token = given;
    try { localStorage.setItem(KEPT, given); } catch { /* then the token is lost when the page is closed */ }
  };

  const beside = (name) => location.pathname.replace(/\/?$/, `/${name}`);
  const listen = () => {
    if (source) source.close();
    const asked = keptToken();
    source = new EventSource(beside("events") +
      (asked && `?seat=${encodeURIComponent(asked)}`));
    source.addEventListener("seat", (event) => keep(event.data));
    source.onmessage = (event) => {
      heard();
      state = JSON.parse(event.data);
      quietSince = Date.now() - 1000 * state.quiet_s;
      show();
    };
    source.addEventListener("beat", (event) => {
      heard();
      quietSince = Date.now() - 1000 * JSON.parse(event.data).quiet_s;
      showLink();
    });
    source.onopen = heard;
    source.onerror = () => {
      lost = true;
      full = source.readyState === EventSource.CLOSED; // the server answered without a stream
      showLink();
      if (keptToken() !== asked) source.close(); // the next stream uses the new token
      if (source.readyState === EventSource.CLOSED) {
        clearTimeout(again);
        again = setTimeout(listen, AGAIN_MS * (1 + Math.random()));
      }
    };
  };
  const heard = () => { heardAt = Date.now(); lost = full = false; };

  const watch = () => {
    const silent = Date.now() - heardAt;
    if (!lost && silent > LOST_AFTER_MS) { // a sleeping laptop or a dead link sends no error
      lost = true;
      listen();
    }
    showLink();
  };

  const span = (seconds) => {
    for (const [unit, size] of [["days", 86400], ["h", 3600], ["min", 60]]) {
      if (seconds >= 2 * size) return `${Math.round(seconds / size)} ${unit}`;
    }
    return `${Math.round(seconds)} s`;
  };
  const showLink = () => {
    const quiet = (Date.now() - quietSince) / 1000;
    let words = "", bad = true;
    if (lost && full) words = "No seat is free for this page. Tell your teacher. The page tries again.";
    else if (lost) words = "The link is lost: " +
      (state ? "these numbers are old. The page tries again." : "the page tries again.");
    else if (!state) { words = "Waiting for the first numbers …"; bad = false; }
    else if (state.trouble) words = `This page is no longer updated: the recording ${state.trouble}.`;
    else if (state.hold) words = "On hold: shots are not counted.";
    else {
      bad = false;
      if (state.finished) words = "Finished: no program writes to this recording.";
      else if (quiet > state.quiet_after_s) words = `No new data for ${span(quiet)}.`;
      else words = "Live.";
    }
    put("link", words);
    at("link").className = bad ? "bad" : "";
  };

  const show = () => {
    const shot = state.latest;
    put("value", !shot ? "—" : shot.hidden ? "?" : shot.speed);
    put("unit", state.unit);
    put("half", shot && shot.half_width ? `± ${shot.half_width} ${state.unit} (95 %)` : "");
    if (shot && shot.hidden) put("half", "hidden until your teacher shows this speed");
    const counts = !shot ? "none" : shot.state === "not counted" ? "not" : shot.state;
    at("latest").className = shot && shot.hidden ? `${counts} unseen-yet` : counts;
    const words = at("shot");
    words.replaceChildren();
    if (shot) {
      words.append(`shot ${shot.number} · ${shot.setup} · `, make("b", shot.state));
      if (shot.flags.length) words.append(` · ${shot.flags.join(", ")}`);
    } else words.append("no shot yet");
    put("name", state.recording);
    const hidden = state.hidden ? `, ${state.hidden} hidden` : "";
    put("tally", `· ${state.rig} · ${state.shots} shots, ${state.counted} counted${hidden}`);
    showRound();
    at("headline").replaceChildren(...state.headline.map((line) => make("p", line)));
    showSetups();
    drawPlot();
    showLink();
    clearTimeout(speaking);
    speaking = setTimeout(speak, SPOKEN_AFTER_MS);
  };

  // Speak a shot once when its value is ready, and once more if the shot does not count.
  const speak = () => {
    const shot = state.latest;
    if (!shot) return;
    const out = shot.state === "not counted";
    const now = `${shot.number} ${shot.hidden} ${out}`;
    if (now === spoken) return;
    if (spoken) {
      const half = shot.half_width ? ` plus or minus ${shot.half_width}` : "";
      const value = shot.hidden ? "hidden" : `${shot.speed}${half} ${state.unit}`;
      put("spoken", `Shot ${shot.number}: ${value}${out ? ", not counted" : ""}`);
    }
    spoken = now;
  };

  let ownPlace = 0; // number of the round in which this page sent a guess
  let ownNumber = 0, ownName = "";
  const showRound = () => {
    const round = state.round;
    at("round").hidden = !state.takes_guesses;
    if (!state.takes_guesses) return;
    if (!round) {
      put("asked", "No round of guesses has begun yet");
      return;
    }
    const open = round.phase === "open", sent = ownPlace === round.place;
    const count = round.count === 1 ? "1 guess" : `${round.count} guesses`;
    put("asked", open ? `Guess the ${round.title}: ${count}`
      : `Guesses of the ${round.title}: ${count}, ${round.phase}`);
    put("guess-label", `Your guess of the ${round.title}, in ${state.unit}`);
    if (at("form").hidden === (open && !sent)) {
      at("form").hidden = !open || sent;
      if (open && !sent) { at("guess").value = ""; put("answer", ""); }
    }
    put("measured", round.measured ? `measured: ${round.measured}` : "");
    at("all").hidden = !round.guesses.length;
    at("list").replaceChildren(...round.guesses.map(([who, guess]) => {
      const line = document.createElement("li");
      const name = make("bdi", who);
      line.append(name, `: ${guess}`);
      return line;
    }));
    drawDots();
  };

  const drawDots = () => {
    const svg = at("dots"), round = state.round, plot = round && round.plot;
    svg.replaceChildren();
    svg.toggleAttribute("hidden", !plot);
    if (!plot) return;
    const width = svg.getBoundingClientRect().width;
    const em = parseFloat(getComputedStyle(document.body).fontSize);
    const cell = (width - 3 * em) / plot.cells;
    const tallest = 1 + Math.max(0, ...plot.dots.map(([, row]) => row));
    const step = Math.min(cell, 1.4 * em, 18 * em / tallest);
    const foot = tallest * step + .5 * em, height = foot + 3.8 * em;
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.setAttribute("height", height);
    const x = (place) => 1.5 * em + (place + .5) * cell;
    draw(svg, "line", { class: "rule", x1: x(-.5), x2: x(plot.cells - .5), y1: foot, y2: foot });
    for (const [place, text] of plot.ticks) {
      draw(svg, "line", { class: "rule", x1: x(place), x2: x(place), y1: foot, y2: foot + 5 });
      draw(svg, "text", { x: x(place), y: foot + 1.3 * em, "text-anchor": "middle" }, text);
    }
    const own = ownPlace === round.place ? [String(ownNumber), ownName] : [];
    for (const [place, row, who] of plot.dots) {
      const dot = draw(svg, "circle", { cx: x(place), cy: foot - (row + .5) * step,
        r: Math.max(1.5, .42 * step), class: own.includes(who) ? "own" : "dot" });
      draw(dot, "title", {}, who);
    }
    if (plot.measured) {
      const [place, half] = plot.measured, y = foot + 2.2 * em;
      draw(svg, "line", { class: "true", x1: x(place - half), x2: x(place + half), y1: y, y2: y });
      draw(svg, "path", { class: "true", d: `M${x(place)} ${y - .6 * em}l${.4 * em} ${em}h${-.8 * em}Z` });
    }
    const beyond = [[plot.left, "left"], [plot.right, "right"]].filter(([count]) => count)
      .map(([count, side]) => `guesses beyond the ${side} end: ${count}`).join(", ");
    draw(svg, "text", { x: x(-.5), y: height - .4 * em }, `${state.unit}${beyond && `; ${beyond}`}`);
    svg.setAttribute("aria-label", `Dot plot of ${plot.dots.length} guesses` +
      `${round.measured && `, measured ${round.measured}`}; the list below has all guesses`);
  };

  at("form").addEventListener("submit", async (event) => {
    event.preventDefault();
    const place = state.round ? state.round.place : 0, button = at("form").querySelector("button");
    button.disabled = true;
    put("answer", "Sending …");
    try {
      const answer = await fetch(beside("guess"), {
        method: "POST", headers: { "Content-Type": "application/json" },
        credentials: "omit", cache: "no-store", redirect: "error",
        body: JSON.stringify({
          token: keptToken(), name: at("group").value, guess: at("guess").value,
        }),
      });
      const text = await answer.text();
      if (answer.ok) {
        ownPlace = place;
        ownName = at("group").value;
        ownNumber = JSON.parse(text).number;
        put("answer", `Your guess is sent. Your number is ${ownNumber}.`);
        showRound();
      } else put("answer", text.trim());
    } catch {
      put("answer", "The guess did not arrive. Send it again.");
    } finally {
      button.disabled = false;
    }
  });

  const showSetups = () => {
    at("statistics").replaceChildren(...state.setups.map((setup) => {
      const block = document.createElement("div");
      const heading = make("h2", "");
      const key = draw(heading, "svg", { viewBox: "-8 -8 16 16", "aria-hidden": "true" });
      mark(key, 0, 0, setup.key, true, 6);
      heading.append(make("span", setup.name));
      if (setup.now) heading.append(make("small", "now"));
      const list = document.createElement("dl");
      setup.values.forEach(([name, value], place) => {
        const unit = name === "n" ? "counted" : state.unit;
        const className = place === 1 ? "main" : "";
        list.append(make("dt", name, className), make("dd", `${value} ${unit}`, className));
      });
      block.append(heading, list);
      return block;
    }));
  };

  const SHAPES = ["M-1 0A1 1 0 1 1 1 0A1 1 0 1 1-1 0Z", "M-.9-.9H.9V.9H-.9Z",
    "M0-1.2L1.1.8H-1.1Z", "M0-1.3L1.3 0L0 1.3L-1.3 0Z"];
  const mark = (parent, x, y, key, counted, size) => draw(parent, "path", {
    d: SHAPES[key % 4], class: `mark k${key % 4}${counted ? "" : " out"}`,
    transform: `translate(${x} ${y}) scale(${size})`, "vector-effect": "non-scaling-stroke",
  });

  const drawPlot = () => {
    const svg = at("plot"), plot = state.plot;
    svg.replaceChildren();
    const { width, height } = at("picture").getBoundingClientRect();
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    if (!plot || width < 80 || height < 80) return;
    const em = parseFloat(getComputedStyle(document.body).fontSize);
    const left = 3.2 * em, right = width - .6 * em, top = 2.6 * em, foot = height - 1.6 * em;
    const x = (n) => left + (n - plot.x[0]) / (plot.x[1] - plot.x[0]) * (right - left);
    const y = (v) => foot - (v - plot.y[0]) / (plot.y[1] - plot.y[0]) * (foot - top);
    for (const [value, text] of plot.y_ticks) {
      draw(svg, "line", { class: "rule", x1: left, x2: right, y1: y(value), y2: y(value) });
      draw(svg, "text", { x: left - .4 * em, y: y(value) + .28 * em, "text-anchor": "end" },
        text);
    }
    for (const [value, text] of plot.x_ticks) {
      draw(svg, "text", { x: x(value), y: height - .35 * em, "text-anchor": "middle" }, text);
    }
    draw(svg, "text", { x: left, y: .8 * em }, `${state.unit} by shot, ± at 95 %`);
    const size = Math.max(2.5, Math.min(.3 * em, (right - left) / plot.points.length / 3));
    for (const [number, speed, half, counted, key] of plot.points) {
      draw(svg, "line", { class: `bar k${key % 4}`, x1: x(number), x2: x(number),
        y1: y(speed - half), y2: y(speed + half) });
      mark(svg, x(number), y(speed), key, counted, size);
    }
    const unseen = plot.points.some(([, speed, half]) => y(speed - half) - y(speed) < size);
    if (unseen) draw(svg, "text", { x: left, y: 1.9 * em }, "no bar: the ± is inside the mark");
    const shot = state.latest;
    const last = shot && !shot.hidden ? `, the latest ${shot.speed} ${state.unit}` : "";
    svg.setAttribute("aria-label", `Speed by shot, ${plot.points.length} shots${last}`);
  };

  const redrawing = new ResizeObserver(() => { if (state) { drawPlot(); drawDots(); } });
  redrawing.observe(at("picture"));
  redrawing.observe(at("round"));
  heardAt = Date.now();
  listen();
  setInterval(watch, 1000);
})();
