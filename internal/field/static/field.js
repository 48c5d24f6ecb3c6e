// Takes answers by touch and puts the next page in the place of the present one; every page works without it.
"use strict";
(() => {
	// A finger that bounces comes down again within this many milliseconds.
	const deaf = 450;
	const bounce = 100; // for the same digit

	const notice = (words) => {
		const n = document.getElementById("notice");
		if (!n) return;
		n.textContent = words;
		n.hidden = words === "";
	};

	// What is asked, and since when: an answer counts only if the finger came down for what is asked now,
	// and not at once after that changed or after another answer.
	const asked = (el) => el.closest("[data-row]")?.dataset.row ?? document.querySelector("main")?.dataset.ask ?? "";
	let changed = -Infinity;
	const locked = new Map(); // the rows of a sheet, each until when
	let down = null;
	let lifts = []; // what fingers were lifted from and the browser has not told yet
	let label = null; // the label that was pressed last
	let lifted = -Infinity; // when a finger was lifted from an answer last, and where
	let spot = { x: -1, y: -1 };
	let pending = null; // the requests under way

	// free says that no request is under way that an answer would follow; on a sheet each row waits for its own.
	const free = (el) => !!el.closest(".stopnow") || (el.closest("[data-row]") ? !el.closest("[data-row]").dataset.busy : !pending);
	const awake = (el, at) => !!el.closest(".stopnow") || at >= changed + deaf && !(locked.get(asked(el)) > at);
	// On a sheet the rows beside an answered one go on hearing, but for the place the finger was lifted from.
	const bounced = (el, e) => el.closest("[data-row]") && e.timeStamp < lifted + deaf && Math.hypot(e.clientX - spot.x, e.clientY - spot.y) < 40;

	const pressable = (target) => target.closest?.("button, a[href], label, summary") ?? target.closest?.("input");

	addEventListener("pointerdown", (e) => {
		const el = pressable(e.target);
		down = el && free(el) && awake(el, e.timeStamp) && !bounced(el, e) ? { el, ask: asked(el) } : null;
		if (down && el.dataset.key) digit(el, e.timeStamp);
	}, true);
	addEventListener("pointercancel", () => { down = null; }, true);
	addEventListener("pointerup", (e) => {
		if (!down) return;
		const { el, ask } = down;
		lifts = [...lifts.filter((l) => e.timeStamp - l.at < 1000), { el, ask, at: e.timeStamp }];
		down = null;
		if (!el.matches("button:not([type=button]), a[href]")) return;
		lifted = e.timeStamp;
		spot = { x: e.clientX, y: e.clientY };
		if (el.closest("[data-row]")) locked.set(ask, lifted + deaf);
		else changed = Math.max(changed, lifted);
	}, true);

	// A finger lifted elsewhere, or from something that was not there when it came down, has said nothing.
	addEventListener("click", (e) => {
		const el = pressable(e.target);
		if (!el) return;
		// What a label is pressed for is pressed by the browser right after it.
		if (el === label && e.target.matches("input")) return;
		label = null;
		const i = lifts.findIndex((l) => l.el === el && l.ask === asked(el));
		lifts.splice(0, i + 1);
		const meant = free(el) && (i >= 0 || e.detail === 0 && awake(el, e.timeStamp));
		if (e.detail === 0 && el.dataset.key && meant) digit(el, e.timeStamp);
		if (meant && el.matches("label")) label = el;
		if (!meant) {
			e.preventDefault();
			e.stopImmediatePropagation();
		}
	}, true);

	// A keypad types into the number of its form, or into the one of a sheet that is in hand, one after the other.
	const last = { key: "", at: -Infinity };
	const digit = (el, at) => {
		const key = el.dataset.key;
		if (key === last.key && at - last.at < bounce) return;
		last.key = key;
		last.at = at;
		const input = field(of(el));
		if (!input) return;
		input.value = key === "back" ? input.value.slice(0, -1) : input.value + key;
		repeat();
	};
	const of = (el) => el.closest("form") ?? document.querySelector("input[data-current]")?.form;
	const fields = (form) => form ? [...form.querySelectorAll("input[data-digits]")] : [];
	const field = (form) => fields(form).find((i) => i.dataset.current) ?? fields(form)[0];
	const current = (input) => {
		for (const i of document.querySelectorAll("input[data-current]")) delete i.dataset.current;
		if (input) input.dataset.current = "1";
		repeat();
	};

	// The key that enters repeats the number with its unit. On a sheet the keypad is there while a number is
	// in hand.
	const repeat = () => {
		for (const pad of document.querySelectorAll("[data-pad]")) {
			const input = field(of(pad));
			const key = pad.querySelector(".enter");
			key.dataset.plain ??= key.textContent;
			const value = input?.value ?? "";
			key.textContent = value === "" ? key.dataset.plain : key.dataset.enter.replace("#", (value + " " + input.dataset.unit).trim());
			key.disabled = value === "" && key.name !== "";
			pad.hidden = !input;
			const brief = document.querySelector(".brief");
			if (brief) brief.hidden = !pad.hidden;
		}
	};

	// entered takes a number and asks for the next of its form; it reports whether there is one.
	const entered = (form) => {
		const all = fields(form);
		const rest = all.slice(all.indexOf(field(form)) + 1).find((i) => i.value === "");
		rest?.focus({ preventScroll: true });
		rest?.scrollIntoView({ block: "nearest" });
		return !!rest;
	};

	document.addEventListener("focusin", (e) => {
		if (e.target.matches?.("input[data-digits]")) current(e.target);
		else if (e.target.matches?.(".sheet input")) current(null);
	});

	// ready gives the parts of a page what only a script can.
	const ready = () => {
		for (const pad of document.querySelectorAll("[data-pad]")) {
			const form = pad.closest("form");
			for (const plain of form?.querySelectorAll("[data-plain]") ?? []) plain.hidden = true;
			// With keys of our own the device's keyboard would only take their place.
			for (const i of document.querySelectorAll("input[data-digits]")) i.inputMode = "none";
			if (form && !field(form)?.dataset.current) current(field(form));
		}
		for (const b of document.querySelectorAll("[data-aloud]")) b.hidden = !window.speechSynthesis;
		repeat();
		tick();
	};

	// What lapses with time is said when it lapses: nothing is asked of the other side.
	let next = 0;
	const tick = () => {
		const now = Date.now();
		let soon = now + 60000;
		for (const c of document.querySelectorAll("[data-since]")) {
			if (c.dataset.until && Number(c.dataset.until) > now) {
				soon = Math.min(soon, Number(c.dataset.until));
				continue;
			}
			c.classList.replace("dead", "out");
			const words = c.dataset.words.replace("#", Math.max(0, Math.floor((now - Number(c.dataset.since)) / 60000)));
			if (c.textContent !== words) c.textContent = words;
			soon = Math.min(soon, now + 10000);
		}
		const main = document.querySelector("main");
		for (const l of JSON.parse(main?.dataset.lapses || "[]")) {
			if (l.at > now) soon = Math.min(soon, l.at);
			else if (!main.querySelector(".problem")) notice(l.words);
		}
		clearTimeout(next);
		next = setTimeout(tick, soon - now);
	};
	addEventListener("visibilitychange", tick);
	addEventListener("focus", tick);

	// While no answer counts yet, what can be pressed says so: a press that is not heard must not look like one.
	let hears = 0;
	const quiet = () => {
		document.body.dataset.quiet = "1";
		clearTimeout(hears);
		hears = setTimeout(() => { delete document.body.dataset.quiet; }, deaf);
	};

	// show puts a page in the place of the present one. at is when the finger came down that led to it.
	const show = (html, url, push, at, row) => {
		const page = new DOMParser().parseFromString(html, "text/html");
		const main = page.querySelector("main");
		if (!main || !window.Idiomorph) return false;
		const was = document.querySelector("main");
		const sheet = row && was?.dataset.screen === main.dataset.screen;
		const since = Math.max(performance.now(), at);
		if (push) history.pushState({}, "", url);
		for (const name of ["data-scheme", "data-hand"]) document.documentElement.setAttribute(name, page.documentElement.getAttribute(name) || "");
		document.title = page.title;
		document.body.className = page.body.className;
		if (sheet) locked.set(row, since + deaf);
		else {
			changed = since;
			locked.clear();
		}
		Idiomorph.morph(document.body, page.body, { morphStyle: "innerHTML", ignoreActiveValue: false });
		ready();
		if (sheet) return true;
		quiet();
		window.scrollTo(0, 0);
		for (const u of document.querySelectorAll(".upper")) u.scrollTop = 0;
		document.querySelector("h1")?.focus({ preventScroll: true });
		return true;
	};

	// What a form says is read when it is its turn: the page may know more by then.
	const fetched = async (url, body, push, from, at) => {
		if (from && !from.isConnected) return;
		const row = from?.dataset.row;
		notice("");
		try {
			const options = from ? { method: "POST", body: body() } : {};
			const answer = await fetch(url, { ...options, headers: { Accept: "text/html" }, credentials: "same-origin" });
			const html = await answer.text();
			if (!show(html, answer.url, push, at, row)) location.assign(answer.url);
		} catch {
			notice(document.getElementById("notice")?.dataset.lost ?? "");
			changed = Math.max(performance.now(), at);
			locked.clear();
		} finally {
			if (from) delete from.dataset.busy;
		}
	};
	const go = (url, body, push, from, at) => {
		pending = (pending ?? Promise.resolve()).then(() => fetched(url, body, push, from, at));
		const mine = pending;
		return mine.finally(() => { if (pending === mine) pending = null; });
	};

	const ours = (url) => url.origin === location.origin && url.pathname.startsWith("/field/");

	document.addEventListener("submit", (e) => {
		const form = e.target;
		const url = new URL(form.action);
		if (!window.Idiomorph || !ours(url) || e.defaultPrevented) return;
		e.preventDefault();
		if (e.submitter?.matches(".enter") && e.submitter.name === "" && entered(form)) return;
		const by = e.submitter;
		const body = () => {
			const data = new FormData(form, by?.isConnected ? by : null);
			return form.enctype === "multipart/form-data" ? data : new URLSearchParams(data);
		};
		form.dataset.busy = "1";
		go(url, body, true, form, lifted);
	});

	document.addEventListener("click", (e) => {
		const aloud = e.target.closest("[data-aloud]");
		if (aloud) return read(aloud);
		const enter = e.target.closest(".sheet .enter");
		if (enter && !entered(of(enter))) of(enter)?.requestSubmit();
		const a = e.target.closest("a[href]");
		if (!a || !window.Idiomorph || e.defaultPrevented || e.button !== 0 || e.ctrlKey || e.metaKey || e.shiftKey || a.target || a.hasAttribute("download")) return;
		const url = new URL(a.href);
		if (!ours(url)) return;
		e.preventDefault();
		go(url, null, true, null, lifted);
	});

	// read reads the lines of a page aloud, or stops reading.
	const read = (button) => {
		button.dataset.read ??= button.textContent;
		const speaking = speechSynthesis.speaking;
		speechSynthesis.cancel();
		button.textContent = speaking ? button.dataset.read : button.dataset.aloud;
		if (speaking) return;
		const lines = [...document.querySelectorAll("[data-line]")];
		for (const [i, l] of lines.entries()) {
			const u = new SpeechSynthesisUtterance(l.textContent);
			u.lang = document.documentElement.lang;
			if (i === lines.length - 1) u.onend = () => { button.textContent = button.dataset.read; };
			speechSynthesis.speak(u);
		}
	};

	// A photograph that is all a form asks for is sent as soon as it is taken.
	document.addEventListener("change", (e) => {
		const form = e.target.form;
		if (e.target.matches("input.photo")) e.target.closest("label").dataset.taken = "1";
		if (e.target.matches(".phase input.photo") && form.querySelectorAll("input:not([type=hidden])").length === 1) form.requestSubmit();
	});

	// Back shows where things stand now, never a page of before.
	addEventListener("popstate", () => go(location.href, null, false, null, lifted));
	addEventListener("pageshow", (e) => { if (e.persisted) go(location.href, null, false, null, lifted); });

	ready();
})();
