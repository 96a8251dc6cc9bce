// Keeps a page up to date without a reload. The server draws everything: on news the page is fetched again and the
// elements marked data-live take over what changed. Without this file the pages are complete, only not live.
"use strict";

(() => {
  const tank = document.body.dataset.liveTank; // "" where news of any tank matters
  const stale = document.getElementById("stale");
  const DEBOUNCE_MS = 100;
  const WAITING_MS = 5000; // how often to look again while a hold is not confirmed: its words change with time alone
  const OLD_MS = 60000; // ages ("3 min ago") move on without any event

  let timer = null;
  let running = false;
  let again = false;

  /** A form that somebody has begun to fill in, or is in, is left alone. */
  function busy(element) {
    if (element.querySelector("form") === null) return false;
    if (element.contains(document.activeElement)) return true;
    return [...element.querySelectorAll("input, select, textarea")].some((field) => {
      if (field.type === "hidden") return false;
      if (field.tagName === "SELECT") return [...field.options].some((o) => o.selected !== o.defaultSelected);
      return field.value !== field.defaultValue;
    });
  }

  function withoutRefs(element) {
    const copy = element.cloneNode(true);
    for (const hidden of copy.querySelectorAll("input[name=client_ref]")) hidden.remove();
    for (const details of copy.querySelectorAll("details")) details.open = false;
    return copy.outerHTML;
  }

  function take(old, fresh) {
    if (busy(old) || withoutRefs(old) === withoutRefs(fresh)) return;
    for (const details of old.querySelectorAll("details[open][id]")) {
      const same = fresh.querySelector(`#${CSS.escape(details.id)}`);
      if (same) same.open = true;
    }
    const focused = old.contains(document.activeElement) ? document.activeElement : null;
    const place = focused && [...old.querySelectorAll("a, summary, button, [tabindex]")].indexOf(focused);
    // The element itself stays, so that a live region announces what changed in it.
    for (const name of old.getAttributeNames()) if (!fresh.hasAttribute(name)) old.removeAttribute(name);
    for (const name of fresh.getAttributeNames()) old.setAttribute(name, fresh.getAttribute(name));
    old.replaceChildren(...fresh.childNodes);
    if (focused) old.querySelectorAll("a, summary, button, [tabindex]")[place]?.focus({ preventScroll: true });
  }

  async function refresh() {
    if (running) {
      again = true;
      return;
    }
    running = true;
    try {
      // After a refused form the address is the form's target, which answers only to POST.
      const source = document.body.dataset.liveSource ?? location.href;
      const answer = await fetch(source, { headers: { Accept: "text/html" }, cache: "no-store" });
      if (answer.redirected && new URL(answer.url).pathname === "/login") location.assign("/login");
      if (answer.ok) {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        for (const old of document.querySelectorAll("[data-live]")) {
          const fresh = page.getElementById(old.id);
          if (fresh) take(old, document.adoptNode(fresh));
        }
      }
      stale.hidden = answer.ok && events.readyState === EventSource.OPEN;
    } catch {
      stale.hidden = false; // the event stream tells when the service is back
    } finally {
      running = false;
      wait();
      if (again) {
        again = false;
        soon();
      }
    }
  }

  function soon() {
    timer ??= setTimeout(() => {
      timer = null;
      refresh();
    }, DEBOUNCE_MS);
  }

  let waiting = null;
  function wait() {
    clearTimeout(waiting);
    waiting = setTimeout(soon, document.querySelector("[data-waiting]") ? WAITING_MS : OLD_MS);
  }

  let events = null;
  function listen() {
    let before = false;
    events = new EventSource("/api/v1/events");
    events.onopen = () => {
      stale.hidden = true;
      if (before) soon(); // what happened while the stream was down
      before = true;
    };
    events.onerror = () => {
      stale.hidden = false;
    };
    events.onmessage = (event) => {
      const news = JSON.parse(event.data);
      if (!tank || news.tank === null || news.tank === tank) soon();
    };
  }
  listen();
  addEventListener("pagehide", () => events.close());
  addEventListener("pageshow", (event) => {
    if (!event.persisted) return;
    listen(); // the browser kept the page, but not its stream
    soon();
  });
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") soon();
  });
  wait();

  // A link to a day in the table opens that day's doses.
  function openTarget() {
    const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target instanceof HTMLDetailsElement) target.open = true;
  }
  addEventListener("hashchange", openTarget);
  openTarget();
})();
