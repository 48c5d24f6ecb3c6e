// Makes the pages of a visit quicker; every one of them works without it.
"use strict";
(() => {
	const notice = (words) => {
		const n = document.getElementById("notice");
		if (!n) return;
		n.textContent = words;
		n.hidden = words === "";
		if (words) n.scrollIntoView({ block: "nearest" });
	};

	// ready gives the parts of a page what only a script can.
	const ready = () => {
		for (const k of document.querySelectorAll(".keypad[hidden]")) k.hidden = false;
		// With a keypad of our own the device's keyboard would only take its place.
		for (const i of document.querySelectorAll("[data-number] input.num")) i.inputMode = "none";
		tick();
	};

	const tick = () => {
		for (const c of document.querySelectorAll("[data-since]")) {
			const min = Math.max(0, Math.floor((Date.now() - Number(c.dataset.since)) / 60000));
			const words = c.dataset.words.replace("#", min);
			if (c.textContent !== words) c.textContent = words;
		}
	};
	setInterval(tick, 10000);

	// show puts a page in the place of the present one.
	const show = (html, url, push) => {
		const next = new DOMParser().parseFromString(html, "text/html");
		const main = next.querySelector("main");
		if (!main || !window.Idiomorph) return false;
		if (push) history.pushState({}, "", url);
		for (const name of ["data-scheme", "data-hand"]) document.documentElement.setAttribute(name, next.documentElement.getAttribute(name) || "");
		document.title = next.title;
		document.body.className = next.body.className;
		Idiomorph.morph(document.body, next.body, { morphStyle: "innerHTML", ignoreActiveValue: false });
		window.scrollTo(0, 0);
		ready();
		const h = document.querySelector("h1");
		if (h) h.focus({ preventScroll: true });
		return true;
	};

	let busy = false;
	const go = async (url, options, push, from) => {
		if (busy) return;
		busy = true;
		if (from) from.dataset.busy = "1";
		notice("");
		try {
			const answer = await fetch(url, { ...options, headers: { Accept: "text/html" }, credentials: "same-origin" });
			const html = await answer.text();
			if (!show(html, answer.url, push)) location.assign(answer.url);
		} catch {
			notice(document.getElementById("notice")?.dataset.lost ?? "");
		} finally {
			busy = false;
			if (from) delete from.dataset.busy;
		}
	};

	const ours = (url) => url.origin === location.origin && url.pathname.startsWith("/field/");

	document.addEventListener("submit", (e) => {
		const form = e.target;
		const url = new URL(form.action);
		if (!window.Idiomorph || !ours(url) || e.defaultPrevented) return;
		e.preventDefault();
		const data = new FormData(form, e.submitter);
		const body = form.enctype === "multipart/form-data" ? data : new URLSearchParams(data);
		go(url, { method: "POST", body }, true, form);
	});

	document.addEventListener("click", (e) => {
		const key = e.target.closest("[data-key]");
		if (key) {
			const input = key.closest("[data-number]").querySelector("input.num");
			input.value = key.dataset.key === "back" ? input.value.slice(0, -1) : input.value + key.dataset.key;
			return;
		}
		const a = e.target.closest("a[href]");
		if (!a || !window.Idiomorph || e.defaultPrevented || e.button !== 0 || e.ctrlKey || e.metaKey || e.shiftKey || a.target || a.hasAttribute("download")) return;
		const url = new URL(a.href);
		if (!ours(url)) return;
		e.preventDefault();
		go(url, {}, true, null);
	});

	// Back shows where things stand now, never a page of before.
	addEventListener("popstate", () => go(location.href, {}, false, null));
	addEventListener("pageshow", (e) => { if (e.persisted) go(location.href, {}, false, null); });

	ready();
})();
