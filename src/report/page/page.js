// Makes the document easier to use; all of it can be read without, and links lead to the sounds.
'use strict';
(() => {
  const all = (selector, root = document) => Array.from(root.querySelectorAll(selector));
  const byId = (id) => document.getElementById(id);
  all('.script').forEach((one) => { one.hidden = false; });

  const player = byId('player');
  const audio = player.querySelector('audio');
  const [playing, toggle, clock, seek, sounds, volume, keyed] = ['playing', 'toggle', 'clock', 'seek', 'sounds', 'volume', 'keyed'].map(byId);
  const minutes = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, '0')}`;
  const button = (text, pressed) => {
    const made = document.createElement('button');
    made.type = 'button';
    made.textContent = text;
    if (pressed !== undefined) made.setAttribute('aria-pressed', String(pressed));
    return made;
  };
  audio.volume = 0.3;

  // What is heard: a file (whole, or a few seconds over and over), or sounds compared in step.
  let opener = null;
  let part = null;
  let comparing = null;
  const press = (one, on) => { if (one && one.tagName === 'BUTTON') one.setAttribute('aria-pressed', String(on)); };
  const show = (by) => {
    if (opener !== by) press(opener, false);
    opener = by;
    press(opener, true);
    player.hidden = false;
  };
  const shut = () => {
    stopComparing();
    audio.pause();
    player.hidden = true;
    press(opener, false);
    if (opener) opener.focus();
    opener = null;
  };
  const playFile = (by, address, title) => {
    if (opener === by && !comparing) {
      if (audio.paused) audio.play().catch(() => {}); else audio.pause();
      return;
    }
    stopComparing();
    show(by);
    playing.textContent = title;
    const [file, hash] = address.split('#t=');
    part = hash ? hash.split(',').map(Number) : null;
    // A place in a file that is open already is gone to by hand.
    audio.src = file;
    audio.currentTime = part ? part[0] : 0;
    audio.play().catch(() => {});
  };
  for (const link of all('a.listen')) {
    const address = link.href.baseVal === undefined ? link.href : new URL(link.href.baseVal, document.baseURI).href;
    const title = link.dataset.title || link.getAttribute('aria-label');
    let by = link;
    if (link instanceof HTMLElement) {
      by = button('', false);
      by.className = 'listen';
      by.append(...link.childNodes);
      link.replaceWith(by);
    }
    by.addEventListener('click', (event) => {
      event.preventDefault();
      playFile(by, address, title);
    });
  }

  const tick = () => {
    const [now, length] = comparing
      ? [(comparing.context.currentTime - comparing.start) % comparing.seconds, comparing.seconds]
      : [audio.currentTime, audio.duration || 0];
    if (!comparing && part && (now >= part[1] || now < part[0] - 0.5)) audio.currentTime = part[0];
    clock.textContent = `${minutes(Math.max(now, 0))} of ${minutes(length)}`;
    if (document.activeElement !== seek) seek.value = String(length ? Math.round((1000 * Math.max(now, 0)) / length) : 0);
    seek.setAttribute('aria-valuetext', clock.textContent);
  };
  audio.addEventListener('timeupdate', tick);
  audio.addEventListener('loadedmetadata', tick);
  const paused = () => (comparing ? comparing.context.state !== 'running' : audio.paused);
  const label = () => {
    toggle.textContent = paused() ? 'Play' : 'Pause';
    if (!comparing) press(opener, !audio.paused);
  };
  ['play', 'pause', 'ended'].forEach((name) => audio.addEventListener(name, label));
  audio.addEventListener('error', () => {
    if (!audio.error || !audio.src) return;
    playing.textContent += ': this file is not where it was written, or this browser cannot play it.';
    press(opener, false);
  });
  const playOrPause = async () => {
    if (comparing) await (paused() ? comparing.context.resume() : comparing.context.suspend());
    else if (audio.paused) await audio.play().catch(() => {});
    else audio.pause();
    label();
  };
  const goTo = (seconds) => {
    if (comparing) return;
    part = null;
    audio.currentTime = Math.min(Math.max(seconds, 0), audio.duration || 0);
  };
  toggle.addEventListener('click', playOrPause);
  byId('close').addEventListener('click', shut);
  seek.addEventListener('input', () => goTo((Number(seek.value) / 1000) * (audio.duration || 0)));
  volume.addEventListener('input', () => {
    audio.volume = Number(volume.value) / 100;
    if (comparing) hear(comparing.heard);
  });

  // Sounds that are compared: all run in step from one start, one of them is heard.
  const excerpts = new Map();
  window.batterheadExcerpt = (one) => excerpts.set(one.path, one);
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
  const load = (path, file) => new Promise((done, fail) => {
    if (excerpts.has(path)) { done(excerpts.get(path)); return; }
    const script = document.createElement('script');
    script.src = file;
    script.addEventListener('load', () => (excerpts.has(path) ? done(excerpts.get(path)) : fail()));
    script.addEventListener('error', fail);
    document.head.append(script);
  });
  const signed = (db) => `${Number(db) < 0 ? '−' : '+'}${Math.abs(db)} dB`;
  const stopComparing = () => {
    if (!comparing) return;
    clearInterval(comparing.timer);
    comparing.context.close();
    comparing.status.textContent = '';
    press(comparing.by, false);
    sounds.replaceChildren();
    seek.disabled = false;
    comparing = null;
  };
  const hear = (which) => {
    const { context, gains, buttons } = comparing;
    comparing.heard = which;
    gains.forEach((gain, i) => {
      gain.gain.cancelScheduledValues(context.currentTime);
      gain.gain.setTargetAtTime(i === comparing.order[which] ? audio.volume : 0, context.currentTime, 0.005);
    });
    buttons.forEach((one, i) => one.setAttribute('aria-pressed', String(i === which)));
  };
  // Which is which is drawn by chance and known to the script alone until it is asked for.
  const hide = (hidden) => {
    const { names, buttons } = comparing;
    const swapped = hidden && crypto.getRandomValues(new Uint8Array(1))[0] & 1;
    const was = comparing.order;
    comparing.order = hidden && swapped ? [1, 0] : [0, 1];
    buttons.forEach((one, i) => { one.textContent = hidden ? ['X', 'Y'][i] : names[i]; });
    comparing.reveal.textContent = hidden ? 'Show which is which' : 'Blind';
    comparing.status.textContent = hidden ? 'X and Y are in an order drawn by chance.' : comparing.about;
    if (!hidden && comparing.hidden) comparing.status.textContent = `X was ${names[was[0]]}, Y was ${names[was[1]]}.`;
    comparing.hidden = hidden;
    hear(0);
  };
  const compare = async (place, by) => {
    const status = place.querySelector('[role=status]');
    const again = comparing && comparing.by === by;
    stopComparing();
    if (again) { shut(); return; }
    audio.pause();
    const selects = all('select', place);
    const chosen = selects.length ? selects.map((select) => select.selectedOptions[0]) : all('data', place);
    let context;
    let decoded;
    try {
      const loaded = await Promise.all(chosen.map((one) => load(one.getAttribute('value'), one.dataset.file)));
      context = new AudioContext({ sampleRate: loaded[0].rate });
      decoded = await Promise.all(loaded.map((one, i) => context.decodeAudioData(bytes(one.sounds[selects.length ? 0 : i]))));
    } catch {
      status.textContent = 'The excerpt is missing, or this browser cannot decode it.';
      return;
    }
    const start = context.currentTime + 0.05;
    const gains = decoded.map((sound) => {
      const source = context.createBufferSource();
      const gain = context.createGain();
      source.buffer = sound;
      source.loop = true;
      gain.gain.value = 0;
      source.connect(gain).connect(context.destination);
      source.start(start);
      return gain;
    });
    const names = chosen.map((one) => one.textContent);
    const buttons = names.map((name) => button(name, false));
    const reveal = button('Blind');
    const from = chosen.map((one) => `${one.textContent} from ${minutes(Number(one.dataset.from))}, ${signed(one.dataset.gain)}`);
    sounds.replaceChildren(...buttons.flatMap((one) => [one, ' ']), reveal);
    show(by);
    seek.disabled = true;
    comparing = {
      context, by, status, buttons, reveal, names, gains, start, decoded,
      seconds: decoded[0].duration,
      timer: setInterval(tick, 250),
      about: `${decoded[0].duration.toFixed(1)} s over and over, equally loud: ${from.join('; ')}.`,
    };
    playing.textContent = `Compared in step: ${place.dataset.about}`;
    buttons.forEach((one, i) => one.addEventListener('click', () => hear(i)));
    reveal.addEventListener('click', () => hide(!comparing.hidden));
    hide(by.dataset.compare === 'blind');
    label();
  };
  // For whoever checks the page: what is being compared, as decoded.
  window.batterheadComparing = () => comparing && comparing.decoded;
  for (const place of all('.compare')) {
    for (const by of all('button', place)) {
      by.setAttribute('aria-pressed', 'false');
      by.addEventListener('click', () => compare(place, by));
    }
    all('select', place).forEach((select) => select.addEventListener('change', () => {
      if (comparing && place.contains(comparing.by)) shut();
    }));
  }

  document.addEventListener('keydown', (event) => {
    if (player.hidden || event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.key === 'Escape') { shut(); return; }
    if (!keyed.checked || event.target.matches('input, select, textarea')) return;
    const act = {
      ' ': () => { if (event.target.matches('button, summary, a')) return false; playOrPause(); return true; },
      ArrowLeft: () => { goTo(audio.currentTime - 5); return true; },
      ArrowRight: () => { goTo(audio.currentTime + 5); return true; },
      1: () => { if (!comparing) return false; hear(0); return true; },
      2: () => { if (!comparing) return false; hear(1); return true; },
    }[event.key];
    if (act && act()) event.preventDefault();
  });

  // A long list is one stop of the Tab key; arrows go through it.
  for (const list of [byId('needs'), ...all('table.glance')].filter(Boolean)) {
    const stops = () => all('a, button, summary', list).filter((one) => one.getClientRects().length);
    const only = (chosen) => all('a, button, summary', list).forEach((one) => { one.tabIndex = one === chosen ? 0 : -1; });
    only(stops()[0]);
    list.addEventListener('focusin', (event) => only(event.target));
    list.addEventListener('keydown', (event) => {
      const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
      if (!step) return;
      const there = stops();
      const next = there[there.indexOf(event.target) + step];
      if (!next) return;
      next.focus();
      event.preventDefault();
    });
  }

  // An address opens what it leads to.
  const reveal = () => {
    const target = location.hash && byId(decodeURIComponent(location.hash.slice(1)));
    if (!target) return;
    for (let one = target; one; one = one.parentElement) if (one.tagName === 'DETAILS') one.open = true;
    target.scrollIntoView();
  };
  addEventListener('hashchange', reveal);
  reveal();
  document.addEventListener('click', (event) => {
    const link = event.target.closest('a[href^="#"]');
    // The same link twice does not change the hash.
    if (link && link.hash === location.hash) reveal();
  });
  // On a small screen songs start folded: what is wanted is opened.
  if (matchMedia('(max-width: 46rem)').matches && !location.hash) all('.fold.song').forEach((one) => { one.open = false; });

  const tracks = all('details.track');
  const unfold = byId('unfold');
  if (!unfold) return;
  const name = () => { unfold.textContent = tracks.some((one) => !one.open) ? 'Open all' : 'Close all'; };
  unfold.addEventListener('click', () => {
    const open = tracks.some((one) => !one.open);
    tracks.forEach((one) => { one.open = open; });
    name();
  });
  const [words, asking, shown] = ['words', 'asking', 'shown'].map(byId);
  const filter = () => {
    const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    for (const track of tracks) {
      const has = `${track.id} ${track.querySelector('summary').textContent}`.toLowerCase();
      const fits = wanted.every((word) => has.includes(word)) && (!asking.checked || 'asks' in track.dataset);
      track.hidden = !fits;
      count += fits;
    }
    shown.textContent = `${count} of ${tracks.length} mics`;
  };
  words.addEventListener('input', filter);
  asking.addEventListener('change', filter);
  filter();
})();
