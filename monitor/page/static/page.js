// Keeps an open page true: takes news, puts orders without leaving the page, says when it is cut off.
// Without this script every button works all the same, as an ordinary form.
"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const feed = document.body.dataset.feed;
  const told = new Map();
  let source = null, lastNews = Date.now(), cut = false;

  function put(id, html) {
    const place = $(id);
    if (!place || told.get(id) === html) return;
    told.set(id, html);
    const held = place.contains(document.activeElement) ? document.activeElement.id : "";
    const kept = [...place.querySelectorAll("select[id], details[id]")]
      .map((e) => [e.id, e.tagName === "SELECT" ? e.value : e.open]);
    place.innerHTML = html;
    for (const [key, value] of kept) {
      const e = $(key);
      if (e && e.tagName === "SELECT") e.value = value;
      else if (e) e.open = value;
    }
    // A button that is gone leaves the focus on its heading's card, not at the top of the page.
    if (held) ($(held) || place.closest("section") || $("content")).focus({ preventScroll: true });
  }

  function connected(yes) {
    if (cut === !yes) return;
    cut = !yes;
    document.body.classList.toggle("away", cut);
    $("lost").textContent = cut
      ? `Cut off from the page since ${new Date(lastNews).toLocaleTimeString([], { hour12: false })}; trying again. What you see is from then.`
      : "";
  }

  function take(event) {
    lastNews = Date.now();
    connected(true);
    const news = JSON.parse(event.data);
    // The page was made before there was anything to show: now there are cards to make.
    const isEmpty = document.querySelector(".card.empty");
    if (isEmpty && Object.keys(news.parts).some((id) => !$(id))) return location.reload();
    for (const [id, html] of Object.entries(news.parts)) put(id, html);
    const place = $("announce");
    if (news.announce !== undefined && news.announce !== place.dataset.said) {
      place.dataset.said = news.announce;
      place.textContent = news.announce;
    }
  }

  function listen() {
    if (source || !feed || document.hidden) return;
    source = new EventSource(feed);
    source.onmessage = take;
    source.onerror = () => {
      connected(false);
      // Closed for good: the log-in has ended, or the page has; ask anew from time to time.
      if (source.readyState === EventSource.CLOSED) {
        source = null;
        setTimeout(async () => {
          try {
            const page = await fetch("/", { redirect: "manual", cache: "no-store" });
            if (page.type === "opaqueredirect") return location.assign("/login");
          } catch { /* still away */ }
          listen();
        }, 2000);
      }
    };
  }

  // A page that nobody looks at asks for nothing; a phone in a pocket keeps its battery.
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) return listen();
    if (source) source.close();
    source = null;
  });
  setInterval(() => {
    if (feed && !document.hidden && Date.now() - lastNews > 15000) {
      connected(false);
      if (source) source.close();
      source = null;
      listen();
    }
  }, 3000);

  let clearing = 0;
  function say(words) {
    $("answer").textContent = words;
    clearTimeout(clearing);
    clearing = setTimeout(() => { $("answer").textContent = ""; }, 12000);
  }

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("form[data-act]")) return;
    event.preventDefault();
    const button = form.querySelector("button");
    if (button.getAttribute("aria-disabled") === "true") return;
    button.setAttribute("aria-disabled", "true");
    say("Asking the monitor …");
    try {
      const answer = await fetch(form.action, {
        method: "POST",
        headers: { accept: "application/json", "content-type": "application/x-www-form-urlencoded" },
        body: new URLSearchParams(new FormData(form)),
      });
      say((await answer.json()).said);
    } catch {
      say("Not done: the page cannot be reached; try again.");
    }
    button.removeAttribute("aria-disabled");
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") $("answer").textContent = "";
  });

  listen();
})();
