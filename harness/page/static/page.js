// Asks the server what it sees, once a second, and shows it. Text is set as text, never as markup.
"use strict";
(() => {
  const STATE_EVERY_MS = 1000, TRACE_EVERY_MS = 5000, OVER_EVERY_MS = 10000, ASK_MOST_MS = 6000;
  const NEAR = 0.25;
  const at = (id) => document.getElementById(id);
  const meta = (name) => document.querySelector(`meta[name="${name}"]`).content;
  const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  let heard = Date.now(), on = true, asked = false;

  const get = async (where) => {
    const over = new AbortController();
    const timer = setTimeout(() => over.abort(), ASK_MOST_MS);
    try {
      const answer = await fetch(where, { signal: over.signal, credentials: "same-origin", cache: "no-store" });
      if (!answer.ok) throw new Error((await answer.text()).slice(0, 200));
      return await answer.json();
    } finally { clearTimeout(timer); }
  };
  const show = (id, words) => { at(id).textContent = words; at(id).hidden = !words; };
  const list = (id, words) => at(id).replaceChildren(...words.map((text) => {
    const one = document.createElement("li"); one.textContent = text; return one;
  }));
  const tile = ([what, value]) => {
    const box = document.createElement("div"), term = document.createElement("dt"), told = document.createElement("dd");
    term.textContent = what; told.textContent = value;
    if (value.length > 16) box.className = "long";
    box.append(term, told);
    return box;
  };

  const draw = (state) => {
    on = state.on;
    at("headline").textContent = state.headline;
    document.title = `${state.outcome || "?"} - ${state.headline}`;
    at("simulated").hidden = !state.simulated;
    show("silence", state.silence || "");
    show("stale", state.old_s > 5 ? `The run's folder has not answered for ${Math.round(state.old_s)} s: what is shown is that old.` : "");
    at("tiles").replaceChildren(...(state.readings || []).filter(([what]) => what !== "nearest limit").map(tile));
    const share = state.nearest_share;
    at("margin").hidden = !state.nearest;
    if (state.nearest) {
      const left = share === null ? "" : `: ${Math.round(100 * share)} % of the way left`;
      at("margin-words").textContent = `nearest limit: ${state.nearest}${left}`;
      at("margin-bar").style.width = `${100 * Math.min(1, Math.max(0, share ?? 0))}%`;
      at("margin-bar").parentElement.classList.toggle("near", share !== null && !(share > NEAR));
    }
    list("events", (state.events || []).length ? state.events : ["nothing yet"]);
    list("trouble", state.trouble || []);
    at("trouble-section").hidden = !(state.trouble || []).length;
    at("ended").classList.toggle("live", state.outcome === "unsafe" || state.outcome === "interrupted");
    at("ended").hidden = on || !(state.ended || []).length;
    at("ended").replaceChildren(...(state.ended || []).map((text) => {
      const line = document.createElement("p"); line.textContent = text; return line;
    }));
    at("stop").hidden = !on;
    if (!on) { at("sure").hidden = true; if (asked) at("told").textContent = "The run is over; how off was proven stands in its report."; }
  };

  const lost = () => {
    const old = Math.round((Date.now() - heard) / 1000);
    show("stale", `The page has lost its server ${old} s ago: nothing here is up to date, and the run may be on. In a terminal: nightbench watch RUN`);
  };
  const states = async () => {
    try { const state = await get("state.json"); heard = Date.now(); draw(state); } catch (error) { lost(); }
    setTimeout(states, on ? STATE_EVERY_MS : OVER_EVERY_MS);
  };

  const axis = (title, from, to) => ({
    title: { text: title, font: { size: 12 } }, domain: [from, to], gridcolor: ink("rule"), linecolor: ink("ink"),
    zeroline: false, automargin: true, fixedrange: true,
  });
  const traces = async () => {
    try {
      const found = await get("trace.json");
      if (window.Plotly && found.hours.length) {
        const line = (name, values, yaxis, dash) => ({
          x: found.hours, y: values, name, yaxis, mode: "lines", connectgaps: false,
          line: { color: meta(`pen-${name}`), dash, width: 1.6 }, hovertemplate: "%{y:.4g} at %{x:.3f} h<extra></extra>",
        });
        await window.Plotly.react("plot", [
          line("volts", found.volts, "y", "solid"), line("amps", found.amps, "y2", "dash"), line("temp", found.temp_c, "y3", "dot"),
        ], {
          autosize: true, margin: { l: 52, r: 12, t: 8, b: 40 }, showlegend: false,
          paper_bgcolor: ink("paper"), plot_bgcolor: ink("paper"), font: { color: ink("ink"), size: 12 },
          xaxis: { title: { text: "hours", font: { size: 12 } }, anchor: "y3", gridcolor: ink("rule"), fixedrange: true },
          yaxis: axis("V", 0.70, 1), yaxis2: axis("A", 0.36, 0.64), yaxis3: axis("\u00b0C", 0, 0.28),
        }, { displayModeBar: false, responsive: true });
      } else if (!window.Plotly) { at("plot").classList.add("none"); at("plot").textContent = "No plot: its library is not installed (pip install 'nightbench[page]')."; }
    } catch (error) { /* the state says what is wrong */ }
    setTimeout(traces, on ? TRACE_EVERY_MS : OVER_EVERY_MS);
  };

  at("stop").addEventListener("click", () => { at("sure").hidden = false; at("no").focus(); });
  at("no").addEventListener("click", () => { at("sure").hidden = true; at("stop").focus(); });
  at("yes").addEventListener("click", async () => {
    at("yes").disabled = true;
    at("told").textContent = "asking...";
    try {
      const answer = await fetch("stop", { method: "POST", credentials: "same-origin", headers: { "X-Page-Word": meta("page-word") } });
      const told = await answer.json();
      asked = told.told;
      at("told").textContent = told.words;
      if (told.told) { at("sure").hidden = true; at("stop").disabled = true; }
    } catch (error) {
      at("told").textContent = "The server does not answer, and the run was NOT told: press Ctrl-C where it runs, or use the emergency off.";
    }
    at("yes").disabled = false;
  });
  states();
  traces();
})();
