"use strict";
// Everything a listing says is a stranger's text: it reaches the page through
// textContent and attributes set one by one, never as markup.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const finds = data.finds;
  const at = (id) => document.getElementById(id);
  const ROW = 76;
  const MARKS = { closer: "look closer", no: "no", seen: "seen" };
  const SHORT = { closer: "closer", no: "no", seen: "seen" }; // fits beside a reading
  const QUIET = new Set(["plain", "undecided", ""]);
  let shown = [];
  let current = -1;
  let outlines = true;

  const make = (tag, attributes = {}, ...children) => {
    const node = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
    node.append(...children);
    return node;
  };

  // ---- marks: the store's, overlaid by what was marked in this browser
  const KEY = "underdigit-marks " + data.store;
  let marks = {};
  try {
    const kept = JSON.parse(localStorage.getItem(KEY) || "{}");
    if (kept && typeof kept === "object") marks = kept;
  } catch {
    marks = {};
  }
  const markOf = (find) => {
    const own = Object.hasOwn(marks, find.id) ? marks[find.id] : find.mark || "";
    return Object.hasOwn(MARKS, own) ? own : "";
  };
  const setMark = (find, mark) => {
    marks[find.id] = mark;
    try {
      localStorage.setItem(KEY, JSON.stringify(marks));
    } catch {
      say("This browser does not keep marks: save them before you leave.");
    }
  };

  const say = (text) => { at("said").textContent = text; };
  const money = (find, value) =>
    value.toFixed(2) + (find.currency ? " " + find.currency : "");
  const isOver = (find) => find.closesAt !== undefined && find.closesAt < Date.now() / 1000;
  const reading = (find) =>
    (find.date || "?") + (find.variety ? " over " + find.variety : "");
  const closing = (find) => {
    if (!find.closes || find.closesAt === undefined) return find.closes || "";
    if (isOver(find)) return "over";
    const hours = (find.closesAt - Date.now() / 1000) / 3600;
    if (hours < 1) return "within the hour";
    if (hours > 100 * 24) return find.closes.slice(0, 10);
    return hours < 48 ? Math.floor(hours) + " hours left" : Math.floor(hours / 24) + " days left";
  };
  const verdictOf = (find) => find.verdict || (find.error ? "unread" : "open");

  // ---- the list: only the rows in sight exist
  const list = at("list");
  const rows = at("rows");
  const rowNodes = new Map();

  const tag = (text, kind) => make("span", { class: "tag " + (kind || "") }, text);

  const makeRow = (index) => {
    const find = shown[index];
    const row = make("div", {
      class: "row", role: "option", id: "row-" + index, "aria-posinset": index + 1,
      "aria-setsize": shown.length, "aria-selected": String(index === current),
      style: "top:" + index * ROW + "px",
    });
    const sub = make("span", { class: "sub" });
    const verdict = verdictOf(find);
    // Of a find the reading says more than the verdict, which all of them share.
    if (find.variety) sub.append(tag(reading(find), "find"));
    else sub.append(tag(verdict, QUIET.has(verdict) ? "" : verdict === "underdigit" ? "find" : "odd"));
    const mark = markOf(find);
    if (mark) sub.append(tag(SHORT[mark], "mark"));
    const more = [find.state || (find.verdict && reading(find)), find.copy && "same photo"];
    sub.append(make("span", { class: "more" }, more.filter(Boolean).join(" \u00b7 ")));
    row.append(
      make("div", {}, make("span", { class: "name" }, find.title || find.id),
        make("span", { class: "price" }, find.price === undefined ? "" : money(find, find.price))),
      make("div", {}, sub, make("span", { class: "closes" }, closing(find))));
    row.addEventListener("click", () => { select(index); open(); });
    return row;
  };

  const drawRows = () => {
    const first = Math.max(0, Math.floor(list.scrollTop / ROW) - 4);
    const last = Math.min(shown.length, Math.ceil((list.scrollTop + list.clientHeight) / ROW) + 4);
    for (const [index, node] of rowNodes)
      if (index < first || index >= last) {
        node.remove();
        rowNodes.delete(index);
      }
    for (let index = first; index < last; index++)
      if (!rowNodes.has(index)) {
        const node = makeRow(index);
        rowNodes.set(index, node);
        rows.append(node);
      }
  };
  const redrawRows = () => {
    for (const node of rowNodes.values()) node.remove();
    rowNodes.clear();
    rows.style.height = shown.length * ROW + "px";
    drawRows();
  };
  let waiting = false;
  list.addEventListener("scroll", () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; drawRows(); });
  }, { passive: true });
  addEventListener("resize", drawRows);

  // ---- filters
  const fillChoice = (select, first, values) => {
    for (const [value, text] of first) select.append(make("option", { value }, text));
    for (const value of values) select.append(make("option", { value: "=" + value }, value));
  };
  const counts = new Map();
  for (const find of finds) counts.set(verdictOf(find), (counts.get(verdictOf(find)) || 0) + 1);
  fillChoice(at("verdict"), [["", "all"], ["odd", "all but plain and undecided"]], [...counts.keys()].sort());
  fillChoice(at("date"), [["", "all"]], [...new Set(finds.map((f) => f.date).filter(Boolean))].sort());
  const START = counts.has("underdigit") ? "=underdigit" : "";

  const passes = () => {
    const verdict = at("verdict").value, date = at("date").value, mark = at("mark").value;
    const low = at("low").value === "" ? -Infinity : Number(at("low").value);
    const high = at("high").value === "" ? Infinity : Number(at("high").value);
    const priced = low !== -Infinity || high !== Infinity;
    const words = at("words").value.toLowerCase().split(/\s+/).filter(Boolean);
    return (find) => {
      const is = verdictOf(find);
      if (verdict === "odd" ? QUIET.has(is) || is === "unread" || is === "open" : verdict && "=" + is !== verdict) return false;
      if (date && "=" + find.date !== date) return false;
      if (priced && !(find.price >= low && find.price <= high)) return false;
      if (mark && (markOf(find) || "none") !== mark) return false;
      if (!words.length) return true;
      const text = [find.id, find.title, find.note, find.address, find.photo].join(" ").toLowerCase();
      return words.every((word) => text.includes(word));
    };
  };
  const ORDERS = {
    closing: (f) => (f.closesAt === undefined ? Infinity : isOver(f) ? 1e15 : f.closesAt),
    gain: (f) => (f.gain === undefined ? Infinity : -f.gain),
    price: (f) => (f.price === undefined ? Infinity : f.price),
  };
  const refilter = (keep) => {
    const before = keep && current >= 0 ? shown[current] : null;
    shown = finds.filter(passes());
    const key = ORDERS[at("order").value];
    if (key) shown = shown.map((f, i) => [key(f), i, f]).sort((a, b) => (a[0] === b[0] ? a[1] - b[1] : a[0] < b[0] ? -1 : 1)).map((x) => x[2]);
    at("count").textContent = shown.length + " of " + finds.length + (finds.length === 1 ? " listing" : " listings");
    current = Math.max(before ? shown.indexOf(before) : 0, 0);
    if (!shown.length) current = -1;
    if (!before) list.scrollTop = 0;
    redrawRows();
    select(current);
  };

  // ---- one listing
  const NS = "http://www.w3.org/2000/svg";
  const drawPath = (svg, d, kind) => {
    for (const name of ["casing", kind]) {
      const path = document.createElementNS(NS, "path");
      path.setAttribute("d", d);
      path.setAttribute("class", name);
      svg.append(path);
    }
  };
  const source = (picture) => "data:image/jpeg;base64," + picture[2];
  const picture = (kept, alt, caption, main) => {
    const frame = make("button", { type: "button", class: "frame", title: "Show larger" },
      make("img", { src: source(kept), width: kept[0], height: kept[1], alt, decoding: "async" }));
    frame.addEventListener("click", () => enlarge(frame, kept));
    return [make("figure", { class: main ? "main" : "" }, frame, make("figcaption", {}, caption)), frame];
  };
  // As large as the window allows, with the outlines as they are.
  const enlarge = (frame, kept) => {
    const copy = make("div", { class: "frame" }, ...[...frame.childNodes].map((node) => node.cloneNode(true)));
    copy.style.width = "min(94vw, " + (80 * kept[0]) / kept[1] + "vh)";
    at("large-picture").replaceChildren(copy);
    at("large").showModal();
  };
  const keyLine = (kind, text) => {
    const svg = document.createElementNS(NS, "svg");
    svg.setAttribute("viewBox", "0 0 30 8");
    svg.setAttribute("aria-hidden", "true");
    const line = document.createElementNS(NS, "path");
    line.setAttribute("d", "M1 4H29");
    line.setAttribute("class", kind);
    line.setAttribute("fill", "none");
    svg.append(line);
    return make("span", { class: "key" }, svg, text);
  };
  const overlay = (find, frame, caption) => {
    const svg = document.createElementNS(NS, "svg");
    svg.setAttribute("viewBox", "0 0 " + find.upright[0] + " " + find.upright[1]);
    svg.setAttribute("aria-hidden", "true");
    if (find.present) drawPath(svg, find.present, "present");
    if (find.trace) drawPath(svg, find.trace, "trace");
    svg.style.display = outlines ? "" : "none";
    frame.append(svg);
    const button = make("button", { type: "button", id: "outlines", "aria-pressed": String(outlines), "aria-keyshortcuts": "o" }, "Outlines");
    button.addEventListener("click", toggleOutlines);
    if (find.present) caption.append(keyLine("present", "present digits"));
    if (find.trace) caption.append(keyLine("trace", "trace"));
    caption.append(button);
  };
  const toggleOutlines = () => {
    outlines = !outlines;
    const svg = document.querySelector("#detail .frame svg");
    if (svg) svg.style.display = outlines ? "" : "none";
    const button = at("outlines");
    if (button) button.setAttribute("aria-pressed", String(outlines));
    say(outlines ? "Outlines on" : "Outlines off");
  };
  const pictures = (find) => {
    if (!find.upright)
      return make("p", { class: "empty" }, find.verdict ? "No pictures are kept of this one." : "");
    const answer = find.words && find.words.length ? find.words[0][1] : "";
    const box = make("div", { class: "pictures" });
    const [main, frame] = picture(find.upright, "The date turned upright. " + answer, "The date, turned upright", true);
    overlay(find, frame, main.querySelector("figcaption"));
    box.append(main);
    if (find.crop) box.append(picture(find.crop, "Part of the photograph around the date, as it was taken.", "The photo around the date")[0]);
    if (find.residual) box.append(picture(find.residual, "What is left when the plain date is taken away: lighter and darker spots are not explained by it.", "What a plain date leaves over")[0]);
    if (find.markers) box.append(picture(find.markers, "Crops of the photograph about each marker of the known dies, turned upright, in the order in which they are named under Known die.", "Markers of known dies, as named under Known die")[0]);
    return box;
  };
  const facts = (pairs) => {
    const box = make("dl", { class: "facts" });
    for (const [label, value] of pairs)
      if (value !== undefined && value !== "")
        box.append(make("dt", {}, label), make("dd", {}, value));
    return box;
  };
  const address = (find) => {
    if (!find.address) return undefined;
    if (!/^https?:\/\/[^\s]+$/i.test(find.address)) return find.address;
    return make("a", { href: find.address, target: "_blank", rel: "noopener noreferrer" }, find.address);
  };
  // What decides whether to hurry, and the way to the listing.
  const summary = (find) => {
    const parts = [];
    if (find.price !== undefined) parts.push(money(find, find.price));
    if (find.ceiling !== undefined) parts.push("bid at most " + money(find, find.ceiling));
    const when = closing(find);
    if (when) parts.push(/ left$|^over$|^within/.test(when) ? when : "closes " + when);
    const link = address(find);
    const line = make("p", { class: "summary" }, parts.join(" · "));
    if (link instanceof HTMLElement) {
      link.textContent = "Open the listing";
      if (parts.length) line.append(" · ");
      line.append(link);
    }
    return line;
  };
  const listingFacts = (find) => facts([
    ["Listing", find.id], ["Address", address(find)],
    ["Price", find.price === undefined ? undefined : money(find, find.price)],
    ["Closes", find.closes ? find.closes + (isOver(find) ? " (over)" : "") : undefined],
    ["Grade", find.grade], ["Note", find.note],
    ["Photo", find.photo ? find.photo + (find.photos > 1 ? " (loudest of " + find.photos + ")" : "") : undefined],
    ["Shown as well", (find.others || []).map((o) => o[0] + (o[1] ? " (same photo)" : " (nearly the same photo)"))
      .concat(find.moreOthers ? [find.moreOthers + " more"] : []).join(", ")],
  ]);
  const figures = (find) => facts([
    ["Coin type", find.reference], ["Tied with", find.tied],
    ["Evidence", find.evidence === undefined ? undefined : find.evidence.toFixed(2)],
    ["p, over its photos", find.p === undefined ? undefined : find.p.toPrecision(2)],
    ["q, over the batch", find.q === undefined ? undefined : find.q.toPrecision(2) + " (share of chance among finds up to here)"],
    ["Value, if so", find.value === undefined ? undefined : money(find, find.value)],
    ["Chance", find.chance === undefined ? undefined : "about " + find.chance.toFixed(2)],
    ["Expected gain", find.gain === undefined ? undefined : money(find, find.gain) + " at the asking price"],
    ["Bid at most", find.ceiling === undefined ? undefined : money(find, find.ceiling) + " for a margin of " + data.margin + " %"],
  ]);
  const part = (title, content) => make("section", {}, make("h3", {}, title), content);

  const draw = () => {
    const detail = at("detail");
    detail.replaceChildren();
    detail.scrollTop = 0;
    const find = shown[current];
    if (!find) {
      detail.append(make("p", { class: "empty" }, "No listing passes the filter."));
      return;
    }
    const words = find.words || [];
    const verdict = verdictOf(find);
    const tags = make("div", { class: "tags" }, tag(verdict, verdict === "underdigit" ? "find" : ""));
    if (find.verdict) tags.append(tag(reading(find)));
    if (find.state) tags.append(tag(find.state));
    if (markOf(find)) tags.append(tag(MARKS[markOf(find)], "mark"));
    detail.append(make("h2", {}, find.title || find.id), tags);
    if (words.length) detail.append(make("p", { class: "answer" }, words[0][1]));
    detail.append(summary(find));
    if (find.claim) detail.append(make("p", { class: "notice" }, find.claim));
    if (find.error) detail.append(make("p", { class: "notice" }, "Not read: " + find.error));
    detail.append(pictures(find));
    const why = [];
    for (const [label, text] of words.slice(1)) why.push([label, text]);
    detail.append(make("div", { class: "parts" },
      part("What is said of it", facts(why)),
      make("div", {}, part("Listing", listingFacts(find)), part("Figures", figures(find)))),
      make("p", { class: "caveat" }, data.caveat));
  };

  const select = (index) => {
    const before = rowNodes.get(current);
    if (before) before.setAttribute("aria-selected", "false");
    current = index;
    const find = shown[current];
    list.removeAttribute("aria-activedescendant");
    if (find) {
      const top = current * ROW;
      if (top < list.scrollTop) list.scrollTop = top;
      else if (top + ROW > list.scrollTop + list.clientHeight) list.scrollTop = top + ROW - list.clientHeight;
      drawRows();
      const row = rowNodes.get(current);
      if (row) {
        row.setAttribute("aria-selected", "true");
        list.setAttribute("aria-activedescendant", row.id);
      }
      say((current + 1) + " of " + shown.length + ": " + (find.title || find.id) + ", " + verdictOf(find));
    }
    for (const button of document.querySelectorAll("#bar [data-mark]")) {
      button.disabled = !find;
      button.setAttribute("aria-pressed", String(Boolean(find) && markOf(find) === button.dataset.mark));
    }
    at("previous").disabled = current <= 0;
    at("next").disabled = current < 0 || current >= shown.length - 1;
    draw();
  };
  const step = (by) => {
    const to = Math.min(Math.max(current + by, 0), shown.length - 1);
    if (shown.length && to !== current) select(to);
  };
  const mark = (kind, goOn) => {
    const find = shown[current];
    if (!find) return;
    const next = markOf(find) === kind && kind ? "" : kind;
    setMark(find, next);
    const row = rowNodes.get(current);
    if (row) {
      row.remove();
      rowNodes.delete(current);
    }
    if (goOn && next && current < shown.length - 1) step(1);
    else select(current);
    say((find.title || find.id) + ": " + (next ? MARKS[next] : "not marked"));
  };
  const open = () => { document.body.classList.add("open"); };
  const close = () => { document.body.classList.remove("open"); drawRows(); list.focus(); };

  // ---- saving marks
  const cell = (text) => {
    const guarded = /^[=+\-@\t\r]/.test(text) ? "'" + text : text;
    return '"' + guarded.replace(/"/g, '""') + '"';
  };
  const marksCsv = () => {
    const lines = ["id,mark,title"];
    for (const find of finds)
      if (markOf(find) || Object.hasOwn(marks, find.id))
        lines.push([find.id, markOf(find), find.title || ""].map(cell).join(","));
    return lines.join("\r\n") + "\r\n";
  };
  const saveMarks = () => {
    const url = URL.createObjectURL(new Blob([marksCsv()], { type: "text/csv" }));
    const link = make("a", { href: url, download: "marks.csv" });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
    say("Marks saved as marks.csv");
  };

  // ---- keys and buttons
  const KEYS = {
    n: () => step(1), j: () => step(1), ArrowDown: () => step(1), ArrowRight: () => step(1),
    p: () => step(-1), k: () => step(-1), ArrowUp: () => step(-1), ArrowLeft: () => step(-1),
    PageDown: () => step(10), PageUp: () => step(-10), Home: () => step(-Infinity), End: () => step(Infinity),
    c: () => mark("closer", true), x: () => mark("no", true), s: () => mark("seen", true),
    u: () => mark("", false), o: toggleOutlines, Enter: open, Escape: close,
    "/": () => { showFilters(true); at("words").focus(); }, "?": () => at("keys").showModal(),
  };
  addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
    const target = event.target;
    if (target.matches("input, select, textarea")) {
      if (event.key === "Escape") list.focus();
      return;
    }
    if (event.key === "Enter" && target.matches("button, a")) return;
    if (/^(Page|Home|End|Arrow)/.test(event.key) && target.id === "detail") return;
    if (!Object.hasOwn(KEYS, event.key)) return;
    event.preventDefault();
    KEYS[event.key]();
  });
  const showFilters = (on) => {
    at("filters").classList.toggle("open", on);
    at("filter-button").setAttribute("aria-expanded", String(on));
    drawRows();
  };
  at("filter-button").addEventListener("click", () => showFilters(!at("filters").classList.contains("open")));
  at("export").addEventListener("click", saveMarks);
  at("keys-button").addEventListener("click", () => at("keys").showModal());
  at("large").addEventListener("click", () => at("large").close());
  at("previous").addEventListener("click", () => step(-1));
  at("next").addEventListener("click", () => step(1));
  at("back").addEventListener("click", close);
  for (const button of document.querySelectorAll("#bar [data-mark]"))
    button.addEventListener("click", () => mark(button.dataset.mark, true));
  at("filters").addEventListener("input", (event) => refilter(event.target.id !== "order"));
  at("filters").addEventListener("submit", (event) => event.preventDefault());
  at("filters").addEventListener("reset", () => setTimeout(() => refilter(true)));

  at("sentence").textContent = data.sentence;
  at("verdict").value = START;
  refilter(false);
  list.focus({ preventScroll: true });
})();
