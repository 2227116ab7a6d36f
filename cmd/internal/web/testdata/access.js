// Checks of the page as it stands in the browser, after WCAG 2.1 AA: 1.1.1 text
// alternatives, 1.3.1 headings, landmarks and tables, 1.4.3 and 1.4.11 contrast, 1.4.10
// reflow, 2.4.3 focus order, 2.4.7 visible focus, 2.5.8 target size, 3.1.1 language.
// It gives what it found, one sentence each.
(() => {
  const found = [], say = (el, what) => found.push((el.id ? "#" + el.id : el.tagName.toLowerCase() + "." + (el.getAttribute("class") || "")) + ": " + what);
  const seen = el => el.checkVisibility({visibilityProperty: true}) && el.getClientRects().length > 0;
  const all = q => [...document.querySelectorAll(q)].filter(seen);

  // Colours: relative luminance and contrast as WCAG 2.1 defines them.
  const parse = c => { const m = c.match(/[\d.]+/g); return m ? m.map(Number) : [0, 0, 0, 0]; };
  const lum = ([r, g, b]) => [r, g, b].map(v => (v /= 255) <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((s, v, i) => s + v * [0.2126, 0.7152, 0.0722][i], 0);
  const contrast = (a, b) => { const [x, y] = [lum(a), lum(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const ground = el => {
    for (; el; el = el.parentElement) {
      const c = parse(getComputedStyle(el).backgroundColor);
      if (c.length < 4 || c[3] > 0.99) return c;
    }
    return [255, 255, 255];
  };
  const ownText = el => [...el.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
  let texts = 0;
  for (const el of all("body *")) {
    if (!ownText(el) || el.closest("title,desc,script,style,noscript")) continue;
    texts++;
    const style = getComputedStyle(el), inSVG = el.namespaceURI.endsWith("svg");
    const ratio = contrast(parse(inSVG ? style.fill : style.color), ground(el));
    const size = parseFloat(style.fontSize), need = size >= 24 || size >= 18.66 && +style.fontWeight >= 700 ? 3 : 4.5;
    if (ratio < need) say(el, `contrast ${ratio.toFixed(2)} of “${el.textContent.trim().slice(0, 30)}”, needs ${need}`);
    let shown = size;
    if (inSVG) shown *= el.ownerSVGElement.getBoundingClientRect().width / el.ownerSVGElement.viewBox.baseVal.width;
    if (shown < 11.5) say(el, `letters of ${shown.toFixed(1)} px are too small: “${el.textContent.trim().slice(0, 30)}”`);
  }
  if (texts < 20) found.push("only " + texts + " texts were seen: the check is blind");
  for (const el of all(".past-line,.fan-line,.reserve,.cutoff,.now,.freeze")) {
    const r = contrast(parse(getComputedStyle(el).stroke), ground(el));
    if (r < 3) say(el, `line contrast ${r.toFixed(2)}, needs 3`);
  }
  // A line must also stand out from the band it lies on.
  for (const kind of ["past", "fan"]) {
    const line = all(`.${kind}-line`)[0], band = all(`.${kind}-band`)[0];
    if (line && band && contrast(parse(getComputedStyle(line).stroke), parse(getComputedStyle(band).fill)) < 3) say(line, "does not stand out from its band");
  }

  // Letters in a picture: none cut off by its edge, none over others.
  for (const svg of all("svg")) {
    const box = svg.getBoundingClientRect();
    const letters = [...svg.querySelectorAll("text")].filter(seen).map(t => [t, t.getBoundingClientRect()]);
    letters.forEach(([t, r], i) => {
      if (r.left < box.left - 1 || r.right > box.right + 1 || r.top < box.top - 1 || r.bottom > box.bottom + 1) say(svg, "cut off: " + t.textContent);
      for (const [u, q] of letters.slice(i + 1))
        if (r.left < q.right - 1 && q.left < r.right - 1 && r.top + 3 < q.bottom - 3 && q.top + 3 < r.bottom - 3) say(svg, `over each other: ${t.textContent} and ${u.textContent}`);
    });
  }

  // Language, title, landmarks.
  if (!document.documentElement.lang) found.push("no language");
  if (!document.title.trim()) found.push("no title");
  for (const q of ["header", "main", "footer"]) if (all(q).length !== 1) found.push(`${all(q).length} of ${q}, want one`);
  for (const el of all("section")) {
    const by = el.getAttribute("aria-labelledby");
    if (!(el.getAttribute("aria-label") || by && document.getElementById(by))) say(el, "a section without a name");
  }
  const ids = [...document.querySelectorAll("[id]")].map(e => e.id);
  for (const id of ids) if (ids.indexOf(id) !== ids.lastIndexOf(id)) found.push("id twice: " + id);
  for (const el of document.querySelectorAll("[aria-labelledby]"))
    for (const id of el.getAttribute("aria-labelledby").split(" ")) if (!document.getElementById(id)) say(el, "named by nothing: " + id);

  // Headings: one h1, no level skipped.
  const levels = all("h1,h2,h3,h4").map(h => +h.tagName[1]);
  if (levels.filter(l => l === 1).length !== 1 || levels[0] !== 1) found.push("headings " + levels + ": want one h1, first");
  levels.forEach((l, i) => { if (i && l > levels[i - 1] + 1) found.push("headings skip a level: " + levels); });

  // Pictures and tables.
  for (const el of all("svg")) {
    const hidden = el.closest("[aria-hidden=true]");
    const named = el.getAttribute("aria-label") || el.querySelector("title") && el.querySelector("desc");
    if (!hidden && !(el.getAttribute("role") === "img" && named)) say(el, "a picture without a text alternative");
  }
  for (const el of all("table")) {
    if (!el.querySelector("thead th[scope=col]")) say(el, "a table without column heads");
    if (el.tBodies[0].rows.length > 1 && !el.querySelector("tbody th[scope=row]")) say(el, "a table without row heads");
  }

  // Reflow: nothing wider than the screen.
  if (document.documentElement.scrollWidth > innerWidth) {
    found.push(`the page is ${document.documentElement.scrollWidth} px wide on ${innerWidth}`);
    for (const el of all("body *")) if (el.getBoundingClientRect().right > innerWidth + 1) { say(el, "sticks out"); break; }
  }

  // Keyboard: what can be reached, in the order of the page, with a visible focus.
  const stops = all("a[href],button,summary,input,[tabindex]").filter(e => e.tabIndex >= 0);
  if (stops.some(e => e.tabIndex > 0)) found.push("a positive tabindex changes the order");
  if (!stops.length || !stops[0].matches(".skip")) found.push("the skip link does not come first");
  for (const el of stops) {
    el.focus();
    const s = getComputedStyle(el);
    if (document.activeElement !== el) say(el, "cannot be focused");
    else if (el.matches(":focus-visible") && (s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2)) say(el, "focus cannot be seen");
    const r = el.getBoundingClientRect();
    if (r.height < 24 && !el.closest("p")) say(el, `a target of only ${r.height.toFixed(0)} px`);
  }
  if (document.activeElement) document.activeElement.blur();

  // Nothing from elsewhere.
  for (const e of performance.getEntriesByType("resource")) if (!e.name.startsWith(location.origin)) found.push("fetched " + e.name);
  return found;
})()
