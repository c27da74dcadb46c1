// Puts fresh figures into the page every second and a half. The page is complete without it.
"use strict";
(() => {
  const PERIOD_MS = 1500;
  const SLOWEST_MS = 30000;
  let notices = null; // what the notices were when last looked at
  let wait = PERIOD_MS;
  let timer = 0;

  const part = (root, name) => root.querySelector(`[data-part="${name}"]`);

  // Text only, so nothing in a name can become markup.
  function say(element, text) {
    if (!element || element.textContent === text) return;
    element.textContent = text;
    element.classList.remove("changed");
    void element.offsetWidth; // begins the fading mark anew
    element.classList.add("changed");
  }

  function list(element, lines) {
    if ([...element.children].map((each) => each.textContent).join("\n") === lines.join("\n")) return;
    element.replaceChildren(...lines.map((line) => {
      const item = document.createElement("li");
      item.textContent = line;
      return item;
    }));
  }

  function draw(element, picture) {
    if (element.dataset.drawn === picture) return;
    element.dataset.drawn = picture;
    const fresh = new DOMParser().parseFromString(picture, "image/svg+xml").documentElement;
    if (fresh.nodeName === "svg") element.replaceChildren(document.importNode(fresh, true));
  }

  function show(tank, index) {
    const box = document.querySelector(`[data-tank="${index}"]`);
    if (!box) return;
    for (const name of ["figure", "unit", "doubt", "doubted"]) say(part(box, name), tank[name]);
    part(box, "figure").classList.toggle("unknown", !tank.known);
    list(part(box, "lines"), tank.lines);
    draw(part(box, "picture"), tank.picture);
  }

  // Notices hold buttons: they are taken from the page as the server writes it, and never under a finger.
  async function renew() {
    const top = document.getElementById("top");
    if (top.contains(document.activeElement) || top.querySelector("details[open]")) return false;
    const answer = await fetch("/", { cache: "no-store" });
    if (!answer.ok) return false;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("top");
    if (fresh) top.replaceWith(document.importNode(fresh, true));
    return Boolean(fresh);
  }

  function word(text) {
    const line = document.getElementById("link");
    if (line.textContent !== text) line.textContent = text;
  }

  async function look() {
    try {
      const answer = await fetch("/api/now", { cache: "no-store", signal: AbortSignal.timeout(8000) });
      if (!answer.ok) throw new Error(String(answer.status));
      const now = await answer.json();
      now.tanks.forEach(show);
      document.getElementById("made").textContent = now.made;
      if (notices === null) notices = now.notices;
      else if (notices !== now.notices && (await renew())) notices = now.notices;
      const day = document.querySelector('[data-part="day"]');
      if (day.textContent !== now.day) day.textContent = now.day;
      day.className = `day ${now.tone.replace(" ", "-")}`;
      word("");
      wait = PERIOD_MS;
    } catch {
      word("The service does not answer: the figures are from then.");
      wait = Math.min(wait * 2, SLOWEST_MS);
    }
    plan();
  }

  function plan() {
    clearTimeout(timer);
    if (!document.hidden) timer = setTimeout(look, wait);
  }

  document.addEventListener("visibilitychange", () => (document.hidden ? clearTimeout(timer) : look()));
  plan();
})();
