"use strict";
// Shows what the server sends; computes nothing but places on the picture. All text goes in as
// text, never as markup.
(() => {
  const LOST_AFTER_MS = 12000; // two beats and a little
  const AGAIN_MS = 2500;
  const SPOKEN_AFTER_MS = 600;
  const SVG = "http://www.w3.org/2000/svg";
  const at = (id) => document.getElementById(id);
  let state = null, source = null, heardAt = 0, quietSince = 0, lost = false, speaking = 0;
  let spoken = -1, again = 0;

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

  // All that is kept on this device: a random token, which says nothing about anybody.
  const KEPT = "seat";
  let token = "";
  const keptToken = () => {
    try { return localStorage.getItem(KEPT) || token; } catch { return token; }
  };
  const keep = (given) => {
    token = given;
    try { localStorage.setItem(KEPT, given); } catch { /* then it lasts as long as the page */ }
  };

  const beside = (name) => location.pathname.replace(/\/?$/, `/${name}`);
  const listen = () => {
    if (source) source.close();
    const asked = keptToken();
    source = new EventSource(`${beside("events")}?seat=${encodeURIComponent(asked)}`);
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
      showLink();
      if (keptToken() !== asked) source.close(); // the next stream asks with the new token
      if (source.readyState === EventSource.CLOSED) {
        clearTimeout(again);
        again = setTimeout(listen, AGAIN_MS * (1 + Math.random()));
      }
    };
  };
  const heard = () => { heardAt = Date.now(); lost = false; };

  const watch = () => {
    const silent = Date.now() - heardAt;
    if (!lost && silent > LOST_AFTER_MS) { // a sleeping laptop or a dead link says nothing
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
    if (lost) words = "The link is lost: " +
      (state ? "these numbers are old. It is tried again." : "it is tried again.");
    else if (!state) { words = "Waiting for the first numbers …"; bad = false; }
    else if (state.trouble) words = `No longer followed: the recording ${state.trouble}.`;
    else if (state.hold) words = "On hold: shots are not counted.";
    else {
      bad = false;
      if (state.finished) words = "Finished: no program writes this recording.";
      else if (quiet > state.quiet_after_s) words = `Nothing new for ${span(quiet)}.`;
      else words = "Live.";
    }
    put("link", words);
    at("link").className = bad ? "bad" : "";
  };

  const show = () => {
    const shot = state.latest;
    put("value", shot ? shot.speed : "—");
    put("unit", state.unit);
    put("half", shot && shot.half_width ? `± ${shot.half_width} ${state.unit} (95 %)` : "");
    at("latest").className = !shot ? "none" : shot.state === "not counted" ? "not" : shot.state;
    const words = at("shot");
    words.replaceChildren();
    if (shot) {
      words.append(`shot ${shot.number} · ${shot.setup} · `, make("b", shot.state));
      if (shot.flags.length) words.append(` · ${shot.flags.join(", ")}`);
    } else words.append("no shot yet");
    put("name", state.recording);
    put("tally", `· ${state.rig} · ${state.shots} shots, ${state.counted} counted`);
    at("headline").replaceChildren(...state.headline.map((line) => make("p", line)));
    showSetups();
    drawPlot();
    showLink();
    clearTimeout(speaking);
    speaking = setTimeout(speak, SPOKEN_AFTER_MS);
  };

  const speak = () => { // a shot's number once, when its value has come to rest
    const shot = state.latest;
    if (!shot || shot.number === spoken) return;
    if (spoken >= 0) {
      const half = shot.half_width ? ` plus or minus ${shot.half_width}` : "";
      put("spoken", `Shot ${shot.number}: ${shot.speed}${half} ${state.unit}, ${shot.state}`);
    }
    spoken = shot.number;
  };

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
    const left = 3.2 * em, right = width - .6 * em, top = 1.5 * em, foot = height - 1.6 * em;
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
    const last = state.latest ? `, the latest ${state.latest.speed} ${state.unit}` : "";
    svg.setAttribute("aria-label", `Speed by shot, ${plot.points.length} shots${last}`);
  };

  addEventListener("resize", () => { if (state) drawPlot(); });
  heardAt = Date.now();
  listen();
  setInterval(watch, 1000);
})();
