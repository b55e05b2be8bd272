"use strict";
(function () {
  const data = JSON.parse(document.getElementById("figures").textContent);
  const words = data.words, sources = {}, N = data.scores[0].length;
  const PLACE = "filmdose card 1 " + location.pathname;
  const FIELDS = {
    trip: {kept: ["title", "invented", "note"], not: []},
    roll: {kept: ["name", "importance", "loaded", "note"], used: ["id", "speed", "kind", "format", "state", "shot", "developed"]},
    pass: {kept: ["note"], used: ["source", "rolls", "count", "shield", "multiplier", "views", "date", "place", "scanner", "held", "beam_on"]},
    flight: {kept: ["note"], used: ["hours", "rolls"]},
    storage: {kept: ["note"], used: ["days", "rolls"]}
  };
  data.sources.forEach(function (source) { sources[source.name] = source; });
  const $ = function (id) { return document.getElementById(id); };
  let state = empty();

  function fill(text, values) { return text.replace(/\{(\w+)\}/g, function (all, name) { return name in values ? values[name] : all; }); }
  function empty() { return {trip: {}, rolls: [], log: [], which: ""}; }
  function own(object, name) { return Object.prototype.hasOwnProperty.call(object, name); }
  function figure(value, digits) {
    if (value === 0) { return "0"; }
    const rounded = Number(value.toPrecision(digits));
    return String(rounded);
  }

  // -- doses: sums of what the library made ---------------------------------------------------------------------
  function wall(entry, roll) { return data.formats.indexOf(roll.format) * data.shields.length + data.shields.indexOf(entry.shield || ""); }
  function counts(entry, roll) {
    if (entry.rolls.indexOf(roll.id) < 0) { return false; }
    return !(roll.developed && entry.date && entry.date > roll.developed);
  }
  function passes(entry) { return entry.count * (entry.multiplier || 1) * (entry.views || 1); }
  function stop(entry, end) { return entry.held ? entry.held * sources[entry.source].held[entry.beam_on || "unknown"][end] : 0; }
  function many(hard, amount) {
    const at = amount / hard.step, node = Math.min(Math.floor(at), hard.amounts.length - 2);
    return (node + 1 - at) * hard.amounts[node] + (at - node) * hard.amounts[node + 1];
  }
  function points(entry, roll) {
    return [0, 1, 2].map(function (end) {
      if (entry.table !== "pass") { return many(data.hard[entry.table], entry.amount) * data.hard[entry.table].points[end]; }
      return (passes(entry) + stop(entry, end)) * sources[entry.source].points[wall(entry, roll)][end];
    });
  }
  function doses(roll) {
    const total = [0, 0, 0];
    state.log.forEach(function (entry) {
      if (counts(entry, roll)) { points(entry, roll).forEach(function (value, end) { total[end] += value; }); }
    });
    return total;
  }
  // The worst band of the case in which everything is typical.
  function typical(roll) {
    return state.log.reduce(function (sum, entry) {
      if (!counts(entry, roll)) { return sum; }
      return sum + points(entry, roll)[1] * (entry.table === "pass" ? sources[entry.source].peak : 1);
    }, 0);
  }
  function draws(roll) {
    const result = new Float64Array(N), machines = {}, stops = {};
    let stopped = 0;
    state.log.forEach(function (entry) {
      let where = (entry.scanner || entry.place || "").trim();
      if (!where && entry.date && entry.table === "pass" && sources[entry.source].mixture) { where = entry.date; }
      let factors, walls = null, amount, score = null, ends = [1, 1, 1];
      if (entry.table === "pass") {
        const source = sources[entry.source], seen = machines[entry.source] = machines[entry.source] || [];
        if (seen.indexOf(where) < 0) { seen.push(where); }
        factors = source.machines[Math.min(seen.indexOf(where), source.machines.length - 1)];
        if (entry.held) {
          const key = [where || entry.source, entry.held, entry.beam_on, passes(entry)].join("|");
          if (!own(stops, key)) { stops[key] = stopped; stopped += 1; }
          score = data.scores[Math.min(stops[key], data.scores.length - 1)];
          ends = [0, 1, 2].map(function (end) { return passes(entry) + stop(entry, end); });
        }
        if (!counts(entry, roll)) { return; }
        walls = source.walls[wall(entry, roll)];
        amount = points(entry, roll)[1] * source.peak;
      } else {
        if (!counts(entry, roll)) { return; }
        factors = data.hard[entry.table].draws;
        amount = points(entry, roll)[1];
      }
      for (let n = 0; n < N; n += 1) {
        let value = amount * factors[n] * (walls ? walls[n] : 1);
        if (score) { value *= Math.pow(score[n] < 0 ? ends[1] / ends[0] : ends[2] / ends[1], score[n]); }
        result[n] += value;
      }
    });
    return result;
  }

  // -- the one rule, from its table -----------------------------------------------------------------------------
  function median(values) {
    values.sort();
    const half = values.length / 2;
    return values.length % 2 ? values[Math.floor(half)] : (values[half - 1] + values[half]) / 2;
  }
  function middle(film, kerma) {
    const products = new Float64Array(N * film.factor.length);
    let place = 0;
    kerma.forEach(function (value) { film.factor.forEach(function (factor) { products[place] = value * factor; place += 1; }); });
    return median(products);
  }
  function weights(kerma, nodes) {
    const result = new Float64Array(nodes);
    kerma.forEach(function (value) {
      const at = Math.min(Math.max((Math.log(Math.max(value, 1e-300)) - data.kerma.first) / data.kerma.step, 0), nodes - 1);
      const node = Math.min(Math.floor(at), nodes - 2);
      result[node] += (node + 1 - at) / N;
      result[node + 1] += (at - node) / N;
    });
    return result;
  }
  function mean(weight, rows, column) {
    let sum = 0;
    for (let k = 0; k < weight.length; k += 1) { sum += weight[k] * (column === undefined ? rows[k] : rows[k][column]); }
    return sum;
  }
  function stair(steps, value) {
    for (let i = 0; i < steps.length; i += 1) { if (value <= steps[i][0]) { return steps[i][1]; } }
    return steps[steps.length - 1][1];
  }
  const WORTH = ["good", "usable", "poor"];
  function answer(roll) {
    const film = data.films[roll.film], kerma = draws(roll), mid = typical(roll);
    const result = {outcome: "compensated", verdict: "lost", safe: "", typical: "", harmless: false};
    if (roll.exposed) {
      const ends = film.shot[roll.shot < 0 ? data.shot.indexOf(0) : roll.shot];
      result.outcome = "exposed";
      result.verdict = WORTH.find(function (name, i) { return mid <= ends[i + 1]; }) || "lost";
      result.harmless = mid <= ends[0];
      result.shot = roll.shot < 0 ? "" : roll.ei || film.shot_ei[roll.shot];
    } else if (film.reversal) {
      result.outcome = "as_marked";
      result.verdict = WORTH.find(function (name, i) { return mid <= film.contrast[0][i]; }) || "lost";
      result.safe = result.typical = result.verdict === "lost" ? "" : film.index_marked;
    } else if (mid === 0) {
      result.verdict = "good";
      result.safe = result.typical = stair(film.index, 0);
    } else {
      const weight = weights(kerma, film.loss.length), loss = film.loss[0].map(function (x, s) { return mean(weight, film.loss, s); });
      const best = loss.indexOf(Math.min.apply(null, loss));
      let given = best;
      if (best > 0 && best < loss.length - 1) {
        const bend = loss[best - 1] - 2 * loss[best] + loss[best + 1];
        if (bend > 0) { given += 0.5 * (loss[best - 1] - loss[best + 1]) / bend; }
      }
      if (mean(weight, film.lost) <= 0.5) {
        const last = film.contrast.length - 1, at = Math.min(given / 2, last), node = Math.min(Math.floor(at), last - 1), share = at - node;
        result.verdict = WORTH.find(function (name, i) {
          const shadow = (1 - share) * mean(weight, film.shadow[i], node) + share * mean(weight, film.shadow[i], node + 1);
          const end = Math.exp((1 - share) * Math.log(film.contrast[node][i] + 1e-9) + share * Math.log(film.contrast[node + 1][i] + 1e-9));
          return shadow >= 50 && mid <= end;
        }) || "lost";
      }
      if (mean(weight, film.lost) <= 0.5) {
        result.safe = stair(film.index, given * film.step);
        result.typical = stair(film.typical, mid);
      }
    }
    result.middle = mid;
    result.headline = headline(result);
    result.more = film.reversal && mid > 0 && result.verdict !== "lost" ? fill(words.page_blacks, {density: blacks(film, middle(film, kerma)).toFixed(2)}) : "";
    return result;
  }
  function blacks(film, kerma) {
    const at = Math.min(Math.max((Math.log(kerma) - film.blacks_kerma[0]) / film.blacks_kerma[1], 0), film.blacks.length - 1);
    const node = Math.min(Math.floor(at), film.blacks.length - 2);
    return (node + 1 - at) * film.blacks[node] + (at - node) * film.blacks[node + 1];
  }
  function headline(found) {
    const values = {safe: found.safe, typical: found.typical, shot: found.shot, worth: words["head_" + found.verdict]};
    function say(name) { return fill(words["head_" + name], values); }
    if (found.outcome === "exposed") {
      return fill(say(found.harmless ? "harmless" : "exposed"), {how: say(found.shot ? "shot" : "exposed_already")});
    }
    if (found.verdict === "lost" || (!found.safe && !found.typical)) { return say("nothing"); }
    if (found.outcome === "as_marked") { return say("as_marked"); }
    if (!found.safe) { return say("typical"); }
    if (found.verdict === "poor") {
      return say(found.safe === found.typical ? "best_left" : found.typical ? "best_left_pair" : "best_left_alone");
    }
    if (!found.typical) { return say("safe"); }
    if (found.safe === found.typical) { return say("same"); }
    return say(Number(found.safe) < Number(found.typical) ? "pair" : "pair_average");
  }

  // -- state ----------------------------------------------------------------------------------------------------
  function text(value, most) { return typeof value === "string" && value.length <= (most || 200); }
  function number(value, low, high) { return typeof value === "number" && isFinite(value) && value >= low && value <= high; }
  function checked(found) {
    if (!found || typeof found !== "object" || !Array.isArray(found.rolls) || !Array.isArray(found.log)) { return null; }
    const ids = {};
    const good = found.rolls.every(function (roll) {
      if (!roll || !text(roll.id) || !roll.id || own(ids, roll.id)) { return false; }
      ids[roll.id] = true;
      const place = data.films.findIndex(function (film) { return film.kind === roll.kind && film.speed === roll.speed && film.title === roll.title; });
      if (place < 0 || data.formats.indexOf(roll.format) < 0 || !Number.isInteger(roll.shot) || roll.shot < -1 || roll.shot >= data.shot.length) { return false; }
      roll.film = place;
      return true;
    }) && found.log.every(function (entry) {
      if (!entry || !Array.isArray(entry.rolls) || !entry.rolls.every(function (id) { return own(ids, id); })) { return false; }
      const strings = ["date", "place", "scanner"].every(function (field) { return entry[field] === undefined || text(entry[field], 1000); });
      const factors = ["multiplier", "views"].every(function (field) { return entry[field] === undefined || number(entry[field], 1, 1e6); });
      if (!strings || !factors) { return false; }
      if (entry.table !== "pass") { return own(data.hard, entry.table) && number(entry.amount, 0, data.hard[entry.table].most); }
      return own(sources, entry.source) && Number.isInteger(entry.count) && number(entry.count, 0, 1e6) && data.shields.indexOf(entry.shield || "") >= 0 &&
        (!entry.held || (number(entry.held, 0, 1e6) && data.beams.indexOf(entry.beam_on) >= 0 && own(sources[entry.source].held, entry.beam_on)));
    });
    return good ? {trip: found.trip && typeof found.trip === "object" ? found.trip : {}, rolls: found.rolls, log: found.log, which: text(found.which) ? found.which : ""} : null;
  }
  function remember() {
    try { localStorage.setItem(PLACE, JSON.stringify(state)); } catch (error) { say(words.page_not_kept); }
  }
  function recall() {
    let stored = null;
    try { stored = localStorage.getItem(PLACE); } catch (error) { say(words.page_not_kept); }
    if (stored === null) { return; }
    let found = null;
    try { found = checked(JSON.parse(stored)); } catch (error) { found = null; }
    if (found) { state = found; return; }
    // what cannot be read is put by, not written over
    try { localStorage.setItem(PLACE + " put by", stored); } catch (error) { /* there is no more room for it */ }
    $("toml").value = stored;
    say(words.page_spoilt);
  }
  function say(what) { $("said").textContent = what; }

  // -- the trip file --------------------------------------------------------------------------------------------
  function quoted(value) {
    return '"' + value.replace(/[\\"]/g, "\\$&").replace(/[\u0000-\u001f\u007f]/g, function (c) { return "\\u" + c.charCodeAt(0).toString(16).padStart(4, "0"); }) + '"';
  }
  function written(value) {
    if (value && value.date) { return value.date; }
    if (Array.isArray(value)) { return "[" + value.map(written).join(", ") + "]"; }
    if (value && typeof value === "object") { return "{ " + Object.keys(value).map(function (name) { return name + " = " + written(value[name]); }).join(", ") + " }"; }
    return typeof value === "string" ? quoted(value) : String(value);
  }
  function table(heading, values) {
    return heading + "\n" + Object.keys(values).filter(function (name) { return values[name] !== undefined && values[name] !== ""; }).map(function (name) {
      return name + " = " + written(values[name]) + "\n";
    }).join("");
  }
  function exported() {
    const foreign = state.rolls.filter(function (roll) { return data.films[roll.film].own; });
    if (foreign.length) { throw new Error(fill(words.page_own_film, {roll: foreign[0].id})); }
    const parts = [];
    if (Object.keys(state.trip).length) { parts.push(table("[trip]", state.trip)); }
    state.rolls.forEach(function (roll) {
      const values = {id: roll.id, speed: roll.speed, kind: roll.kind, format: roll.format};
      if (roll.story) { values.shot = roll.story; } else if (roll.exposed && roll.shot >= 0) { values.shot = {ei: Number(data.films[roll.film].shot_ei[roll.shot])}; } else if (roll.exposed) { values.state = "exposed"; }
      if (roll.developed) { values.developed = {date: roll.developed}; }
      parts.push(table("[[roll]]", Object.assign(values, roll.kept)));
    });
    state.log.forEach(function (entry) {
      let values = {rolls: entry.rolls};
      if (entry.table === "pass") {
        values = {source: entry.source, rolls: entry.rolls, count: entry.count, shield: entry.shield, multiplier: entry.multiplier, views: entry.views,
          date: entry.date ? {date: entry.date} : undefined, place: entry.place, scanner: entry.scanner, held: entry.held || undefined, beam_on: entry.held ? entry.beam_on : undefined};
      } else { values[entry.table === "flight" ? "hours" : "days"] = entry.amount; }
      parts.push(table("[[" + entry.table + "]]", Object.assign(values, entry.kept)));
    });
    return parts.join("\n");
  }
  // As much of TOML as trip files have: tables, strings in one line, numbers, truths, dates, arrays, tables in one line.
  function parsed(source) {
    let at = source.charCodeAt(0) === 0xfeff ? 1 : 0, line = 1, comments = 0;
    function fail() { throw new Error(fill(words.page_bad_line, {line: line})); }
    function space(lines) {
      for (;;) {
        const c = source[at];
        if (c === "#") { comments += 1; while (at < source.length && source[at] !== "\n") { at += 1; } } else if (c === " " || c === "\t" || c === "\r") { at += 1; } else if (c === "\n" && lines) { at += 1; line += 1; } else { return; }
      }
    }
    function take(pattern) {
      pattern.lastIndex = at;
      const found = pattern.exec(source);
      if (!found) { return null; }
      at += found[0].length;
      return found;
    }
    function string() {
      if (source.startsWith('"""', at) || source.startsWith("'''", at)) { fail(); }
      let found = take(/'([^'\n]*)'/y);
      if (found) { return found[1]; }
      found = take(/"((?:[^"\\\n]|\\.)*)"/y);
      if (!found) { return null; }
      return found[1].replace(/\\(u[0-9a-fA-F]{4}|U[0-9a-fA-F]{8}|.)/g, function (all, code) {
        if (code.length > 1) { return String.fromCodePoint(parseInt(code.slice(1), 16)); }
        const plain = {b: "\b", t: "\t", n: "\n", f: "\f", r: "\r", '"': '"', "\\": "\\"};
        return own(plain, code) ? plain[code] : fail();
      });
    }
    function value() {
      const c = source[at];
      if (c === '"' || c === "'") { const found = string(); return found === null ? fail() : found; }
      if (c === "[") {
        const result = [];
        at += 1;
        for (space(true); source[at] !== "]"; space(true)) {
          result.push(value());
          space(true);
          if (source[at] === ",") { at += 1; } else if (source[at] !== "]") { fail(); }
        }
        at += 1;
        return result;
      }
      if (c === "{") {
        const result = {};
        at += 1;
        for (space(false); source[at] !== "}"; space(false)) {
          pair(result);
          space(false);
          if (source[at] === ",") { at += 1; } else if (source[at] !== "}") { fail(); }
        }
        at += 1;
        return result;
      }
      let found = take(/\d{4}-\d\d-\d\d(?![\dT:])/y);
      if (found) { return {date: found[0]}; }
      found = take(/(true|false)\b/y);
      if (found) { return found[1] === "true"; }
      found = take(/[+-]?\d[\d_]*(?:\.\d+)?(?:[eE][+-]?\d+)?(?![\w:.-])/y);
      return found ? Number(found[0].replace(/_/g, "")) : fail();
    }
    function pair(into) {
      const quote = string(), bare = quote === null ? take(/[A-Za-z0-9_-]+/y) : null;
      const name = quote === null ? bare && bare[0] : quote;
      space(false);
      if (name === null || source[at] !== "=" || own(into, name) || name === "__proto__") { fail(); }
      at += 1;
      space(false);
      into[name] = value();
    }
    const found = {};
    let into = null;
    for (space(true); at < source.length; space(true)) {
      const heading = take(/\[\[\s*([\w-]+)\s*\]\]|\[\s*([\w-]+)\s*\]/y);
      if (heading) {
        into = {};
        const name = heading[1] || heading[2];
        if (!own(found, name)) { found[name] = []; } else if (heading[2]) { fail(); }
        found[name].push(into);
      } else if (into) { pair(into); } else { fail(); }
      space(false);
      if (at < source.length && source[at] !== "\n") { fail(); }
    }
    return {tables: found, comments: comments};
  }
  function seconds(value) {
    if (typeof value === "number") { return value; }
    const found = /^\s*(\d*[.,]?\d+)\s*(s|min|h)?\s*$/.exec(value);
    return found ? Number(found[1].replace(",", ".")) * {s: 1, min: 60, h: 3600}[found[2] || "s"] : NaN;
  }
  function imported(source) {
    const read = parsed(source), cannot = [], result = empty();
    function refuse(where, name, value) { cannot.push(where + ": " + name + (value === undefined ? "" : " = " + written(value))); }
    function kept(name, row, where) {
      const extra = {};
      Object.keys(row).forEach(function (field) {
        if (FIELDS[name].kept.indexOf(field) >= 0) { extra[field] = row[field]; } else if ((FIELDS[name].used || []).indexOf(field) < 0) { refuse(where, field, row[field]); }
      });
      return extra;
    }
    Object.keys(read.tables).forEach(function (name) { if (!own(FIELDS, name)) { refuse("[[" + name + "]]", String(read.tables[name].length)); } });
    if (read.tables.trip) { result.trip = kept("trip", read.tables.trip[0], "[trip]"); }
    (read.tables.roll || []).forEach(function (row, place) {
      const where = "[[roll]] " + (text(row.id) ? row.id : place + 1), kind = row.kind === undefined ? "bw-negative" : row.kind;
      const roll = {id: row.id, kind: kind, speed: row.speed, format: row.format === undefined ? "35mm" : row.format, exposed: row.state === "exposed", shot: -1, kept: kept("roll", row, where)};
      roll.film = data.films.findIndex(function (film) { return !film.own && film.kind === kind && film.speed === row.speed; });
      if (!text(row.id) || !row.id || result.rolls.some(function (other) { return other.id === row.id; })) { refuse(where, "id", row.id); }
      if (roll.film < 0) { refuse(where, "kind, speed", [kind, row.speed]); } else { roll.title = data.films[roll.film].title; }
      if (data.formats.indexOf(roll.format) < 0) { refuse(where, "format", row.format); }
      if (row.state !== undefined && row.state !== "exposed" && row.state !== "unexposed") { refuse(where, "state", row.state); }
      if (row.developed !== undefined) { roll.exposed = true; if (row.developed.date) { roll.developed = row.developed.date; } else { refuse(where, "developed", row.developed); } }
      if (row.shot !== undefined) {
        roll.exposed = true;
        roll.story = row.shot;
        if (row.shot.ei !== undefined && roll.film >= 0) {
          roll.shot = data.films[roll.film].shot_ei.indexOf(String(row.shot.ei));
          if (roll.shot < 0) { refuse(where, "shot.ei", row.shot.ei); }
        }
      }
      result.rolls.push(roll);
    });
    const ids = result.rolls.map(function (roll) { return roll.id; });
    ["pass", "flight", "storage"].forEach(function (name) {
      (read.tables[name] || []).forEach(function (row, place) {
        const where = "[[" + name + "]] " + (place + 1), entry = {table: name, rolls: row.rolls === undefined ? ids.slice() : row.rolls, kept: kept(name, row, where)};
        if (!Array.isArray(entry.rolls) || !entry.rolls.every(function (id) { return ids.indexOf(id) >= 0; })) { refuse(where, "rolls", row.rolls); entry.rolls = []; }
        entry.rolls = entry.rolls.filter(function (id, i) { return entry.rolls.indexOf(id) === i; });
        if (name !== "pass") {
          const field = name === "flight" ? "hours" : "days";
          if (number(row[field], 0, data.hard[name].most)) { entry.amount = row[field]; } else { refuse(where, field, row[field]); }
        } else {
          Object.assign(entry, {source: row.source, count: row.count === undefined ? 1 : row.count, shield: row.shield === undefined ? "" : row.shield, multiplier: row.multiplier, views: row.views, place: row.place, scanner: row.scanner});
          if (!own(sources, String(row.source))) { refuse(where, "source", row.source); }
          if (!Number.isInteger(entry.count) || !number(entry.count, 0, 1e6)) { refuse(where, "count", row.count); }
          if (data.shields.indexOf(entry.shield) < 0) { refuse(where, "shield", row.shield); }
          if (row.multiplier !== undefined && !number(row.multiplier, 1, 1e6)) { refuse(where, "multiplier", row.multiplier); }
          if (row.views !== undefined && !(Number.isInteger(row.views) && row.views >= 1 && own(sources, String(row.source)) && (row.views === 1 || sources[row.source].per_view))) { refuse(where, "views", row.views); }
          ["place", "scanner"].forEach(function (field) { if (row[field] !== undefined && typeof row[field] !== "string") { refuse(where, field, row[field]); } });
          if (row.date !== undefined) { if (row.date.date) { entry.date = row.date.date; } else { refuse(where, "date", row.date); } }
          entry.beam_on = row.beam_on === undefined ? "unknown" : row.beam_on;
          if (row.held !== undefined) {
            entry.held = seconds(row.held);
            if (!number(entry.held, 0, 1e6) || (own(sources, String(row.source)) && !own(sources[row.source].held, String(entry.beam_on)))) { refuse(where, "held", row.held); }
          }
        }
        result.log.push(entry);
      });
    });
    if (!result.rolls.length) { throw new Error(words.page_no_roll); }
    if (cannot.length) { throw new Error(words.page_cannot + "\n" + cannot.join("\n")); }
    result.which = ids[0];
    return {state: result, comments: read.comments};
  }

  // -- what is seen ---------------------------------------------------------------------------------------------
  function make(name, content, into) {
    const element = document.createElement(name);
    if (content !== undefined) { element.textContent = content; }
    if (into) { into.appendChild(element); }
    return element;
  }
  function option(into, value, label) { make("option", label, into).value = value; }
  function took(roll) {
    const dose = doses(roll);
    return fill(words.page_took, {dose: figure(dose[1], 4) + (dose[0] < dose[2] ? " (" + fill(words.page_range, {low: figure(dose[0], 3), high: figure(dose[2], 3)}) + ")" : "")});
  }
  function tell(entry) {
    const parts = [];
    if (entry.table === "pass") {
      parts.push(entry.date || words.page_no_date, entry.count + " × " + sources[entry.source].title);
      if (entry.shield) { parts.push(entry.shield.replace("=", " ") + " mm"); }
      if (entry.held) { parts.push(fill(words.page_held_for, {minutes: figure(entry.held / 60, 3)}) + ", " + words["page_beam_" + entry.beam_on]); }
      if (entry.place) { parts.push(entry.place); }
    } else { parts.push(fill(words["page_" + entry.table + "_of"], {amount: figure(entry.amount, 4)})); }
    return parts.join(", ") + ": " + entry.rolls.join(", ");
  }
  function show() {
    const which = $("which"), chosen = state.rolls.find(function (roll) { return roll.id === state.which; }) || state.rolls[0];
    which.textContent = "";
    state.rolls.forEach(function (roll) { option(which, roll.id, roll.id + ": " + roll.title + ", " + roll.format.replace("35mm", "35 mm")); });
    if (chosen) { which.value = state.which = chosen.id; }
    which.hidden = !chosen;
    $("rolls").textContent = "";
    let told = null;
    state.rolls.forEach(function (roll) {
      const found = answer(roll), row = make("div", undefined, $("rolls")), box = make("div", undefined, row);
      row.className = "roll";
      make("b", roll.id, box);
      make("div", roll.title + ", " + roll.format.replace("35mm", "35 mm"), box).className = "small";
      make("div", found.headline + found.more, box);
      make("div", took(roll), box).className = "small";
      if (roll === chosen) { told = found; }
      const away = make("button", "×", row);
      away.type = "button";
      away.setAttribute("aria-label", fill(words.page_remove, {roll: roll.id}));
      away.addEventListener("click", function () {
        if (!confirm(fill(words.page_remove_sure, {roll: roll.id}))) { return; }
        state.rolls = state.rolls.filter(function (other) { return other !== roll; });
        state.log.forEach(function (entry) { entry.rolls = entry.rolls.filter(function (id) { return id !== roll.id; }); });
        state.log = state.log.filter(function (entry) { return entry.rolls.length; });
        changed();
      });
    });
    $("headline").textContent = chosen ? told.headline + told.more : words.page_first;
    $("took").textContent = chosen ? took(chosen) : "";
    $("log").textContent = state.log.length ? "" : words.page_nothing;
    state.log.forEach(function (entry) {
      const row = make("div", undefined, $("log"));
      row.className = "entry";
      make("div", tell(entry), row);
    });
    const ticked = {};
    $("met").querySelectorAll("input").forEach(function (tick) { ticked[tick.value] = tick.checked; });
    $("met").textContent = "";
    state.rolls.forEach(function (roll) {
      const label = make("label", undefined, $("met")), tick = make("input", undefined, label);
      tick.type = "checkbox";
      tick.value = roll.id;
      tick.checked = ticked[roll.id] !== false;
      make("span", roll.id, label);
    });
    $("undo").disabled = !state.log.length;
  }
  function changed() { remember(); show(); }
  function shots() {
    const film = data.films[Number($("film").value)];
    $("shot").textContent = "";
    option($("shot"), "", words.page_unexposed);
    option($("shot"), "-1", words.page_exposed);
    film.shot_ei.forEach(function (ei, place) { if (film.shot_ei.indexOf(ei) === place) { option($("shot"), String(place), fill(words.page_shot_at, {ei: ei})); } });
  }
  function asked() {
    const what = $("what").value, pass = own(sources, what);
    document.querySelectorAll("label.pass").forEach(function (label) { label.hidden = !pass; });
    $("count-words").textContent = pass ? words.page_passes : words["page_" + what + "_unit"];
    const held = pass && Object.keys(sources[what].held).length > 0;
    $("held").disabled = $("beam").disabled = !held;
    if (!held) { $("held").value = "0"; }
  }
  data.films.forEach(function (film, place) { option($("film"), String(place), film.title); });
  data.formats.forEach(function (format) { option($("format"), format, format.replace("35mm", "35 mm")); });
  data.sources.forEach(function (source) { option($("what"), source.name, source.title); });
  ["flight", "storage"].forEach(function (name) { option($("what"), name, words["page_" + name]); });
  data.shields.forEach(function (shield) { option($("shield"), shield, shield ? shield.replace("=", " ") + " mm" : words.page_no_shield); });
  data.beams.forEach(function (beam) { option($("beam"), beam, words["page_beam_" + beam]); });
  $("beam").value = "unknown";
  $("film").value = String(Math.max(data.films.findIndex(function (film) { return film.speed === 400; }), 0));
  const today = new Date();
  const day = [today.getFullYear(), String(today.getMonth() + 1).padStart(2, "0"), String(today.getDate()).padStart(2, "0")].join("-");
  $("date").value = day;
  $("film").addEventListener("change", shots);
  $("what").addEventListener("change", asked);
  $("which").addEventListener("change", function () { state.which = $("which").value; changed(); });
  $("new").addEventListener("submit", function (event) {
    event.preventDefault();
    const film = Number($("film").value), shot = $("shot").value;
    let id = $("name").value.trim(), number_of = state.rolls.length + 1;
    while (!id || (!$("name").value.trim() && state.rolls.some(function (roll) { return roll.id === id; }))) { id = fill(words.page_roll_number, {number: number_of}); number_of += 1; }
    if (state.rolls.some(function (roll) { return roll.id === id; })) { say(fill(words.page_twice, {roll: id})); return; }
    state.rolls.push({id: id, film: film, kind: data.films[film].kind, speed: data.films[film].speed, title: data.films[film].title, format: $("format").value, exposed: shot !== "", shot: shot === "" ? -1 : Number(shot)});
    state.which = id;
    $("name").value = "";
    say("");
    changed();
  });
  $("happened").addEventListener("submit", function (event) {
    event.preventDefault();
    const what = $("what").value, amount = Number($("count").value), held = Number($("held").value) * 60;
    const rolls = Array.from($("met").querySelectorAll("input:checked")).map(function (tick) { return tick.value; });
    if (!rolls.length) { say(state.rolls.length ? words.page_which_rolls : words.page_first); return; }
    if ($("count").value === "" || !number(amount, 0, own(sources, what) ? 1e6 : data.hard[what].most) || (own(sources, what) && !Number.isInteger(amount)) || !number(held, 0, 1e6)) { say(words.page_bad_number); return; }
    const entry = {table: own(sources, what) ? "pass" : what, rolls: rolls};
    if (entry.table === "pass") {
      if ($("date").value > day) { say(words.page_bad_date); return; }
      Object.assign(entry, {source: what, count: amount, shield: $("shield").value, beam_on: $("beam").value, date: $("date").value, place: $("place").value.trim()});
      if (held) { entry.held = held; }
    } else { entry.amount = amount; }
    state.log.push(entry);
    $("held").value = "0";
    say("");
    changed();
  });
  $("undo").addEventListener("click", function () { state.log.pop(); say(""); changed(); });
  $("clear").addEventListener("click", function () { if (confirm(words.page_clear_sure)) { state = empty(); say(""); changed(); } });
  $("export").addEventListener("click", function () {
    try {
      const toml = exported(), link = make("a");
      $("toml").value = toml;
      link.href = URL.createObjectURL(new Blob([toml], {type: "application/toml"}));
      link.download = "trip.toml";
      link.click();
      say("");
    } catch (error) { say(error.message); }
  });
  function take_in(source) {
    if ((state.rolls.length || state.log.length) && !confirm(words.page_import_sure)) { return; }
    try {
      const found = imported(source);
      state = found.state;
      say(found.comments ? fill(words.page_comments, {count: found.comments}) : "");
      changed();
    } catch (error) { say(error.message); }
  }
  $("import").addEventListener("click", function () { take_in($("toml").value); });
  $("file").addEventListener("change", function () {
    if ($("file").files.length) { $("file").files[0].text().then(function (source) { $("toml").value = source; take_in(source); }); }
    $("file").value = "";
  });
  const page = /^(.*)\.html$/.exec(location.pathname);
  if (page && location.protocol !== "file:") {
    const link = make("link", undefined, document.head);
    link.rel = "manifest";
    link.href = page[1] + ".webmanifest";
    if ("serviceWorker" in navigator) { navigator.serviceWorker.register(page[1] + ".worker.js").catch(function () { /* works all the same while it is open */ }); }
  }
  recall();
  shots();
  asked();
  show();
}());
