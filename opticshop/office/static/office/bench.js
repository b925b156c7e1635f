"use strict";
// The workshop's screen. Everything works without this script; with it the screen looks again by itself, and what a
// scanner types goes into the scan field wherever the focus was.
(() => {
  const field = document.getElementById("scan-code");
  if (!field) return;
  const typesText = (element) => element && element.matches("input, textarea, select");

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
    if (event.key.length !== 1 || event.key === " " || typesText(document.activeElement)) return;
    field.focus(); // the key itself is typed into it
  });
  document.addEventListener("click", (event) => {
    if (!event.target.closest("a, button, input, select, summary, label")) field.focus();
  });
  window.addEventListener("focus", () => {
    if (document.activeElement === document.body) field.focus();
  });

  const board = document.getElementById("columns");
  if (!board) return;
  const notice = document.getElementById("notice");
  const every = Number(board.dataset.every) * 1000;
  let etag = "";
  const tell = (words) => {
    notice.textContent = words;
    notice.hidden = !words;
  };
  const draw = (text) => {
    const focused = board.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    board.replaceChildren(document.createRange().createContextualFragment(text));
    if (focused === null) return;
    const again = [...board.querySelectorAll("a")].find((link) => link.getAttribute("href") === focused);
    (again || field).focus({ preventScroll: true });
  };
  const look = async () => {
    if (document.hidden) return;
    try {
      const headers = { "X-Looked-By-Itself": "1" };
      if (etag) headers["If-None-Match"] = etag;
      const answer = await fetch(board.dataset.source, { headers, redirect: "manual", cache: "no-store" });
      if (answer.type === "opaqueredirect" || answer.status === 401 || answer.status === 403) {
        tell("You are signed out. Load this page again to sign in; what stands here may be old.");
      } else if (answer.status === 304) {
        tell("");
      } else if (answer.ok) {
        etag = answer.headers.get("ETag") || "";
        draw(await answer.text());
        tell("");
      } else {
        tell("The board could not be read just now; what stands here may be old.");
      }
    } catch {
      tell("No connection; what stands here may be old.");
    }
  };
  setInterval(look, every);
  document.addEventListener("visibilitychange", look);
})();
