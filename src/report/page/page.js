// Makes the document easier to use; all of it can be read without.
'use strict';
(() => {
  const all = (selector, root = document) => Array.from(root.querySelectorAll(selector));

  // One player for everything: links to sound become its buttons.
  const player = document.getElementById('player');
  const playing = document.getElementById('playing');
  const audio = player.querySelector('audio');
  audio.volume = 0.3;
  let active = null;
  const release = () => {
    if (active) active.setAttribute('aria-pressed', 'false');
    active = null;
  };
  for (const link of all('a.listen')) {
    const button = document.createElement('button');
    button.type = 'button';
    button.className = 'listen';
    button.textContent = link.textContent;
    const label = link.getAttribute('aria-label');
    button.setAttribute('aria-label', label);
    button.setAttribute('aria-pressed', 'false');
    const source = link.href;
    button.addEventListener('click', () => {
      if (active === button && !audio.paused) {
        audio.pause();
        return;
      }
      release();
      active = button;
      button.setAttribute('aria-pressed', 'true');
      player.hidden = false;
      playing.textContent = label;
      if (audio.src !== source) audio.src = source;
      audio.play().catch(() => {});
    });
    link.replaceWith(button);
  }
  audio.addEventListener('pause', release);
  audio.addEventListener('ended', release);
  audio.addEventListener('error', () => {
    if (!audio.error) return;
    playing.textContent += ': cannot be played here. The file is missing, or this browser does not play its format.';
    release();
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
  const signed = (db) => `${Number(db) < 0 ? '\u2212' : '+'}${Math.abs(db)} dB`;
  let comparing = null;
  const still = () => {
    if (!comparing) return;
    comparing.context.close();
    comparing.button.textContent = comparing.label;
    comparing.controls.remove();
    comparing.status.textContent = '';
    comparing = null;
  };
  const hear = (which) => {
    const { context, gains, buttons } = comparing;
    comparing.heard = which;
    gains.forEach((gain, i) => {
      gain.gain.cancelScheduledValues(context.currentTime);
      gain.gain.setTargetAtTime(i === comparing.order[which] ? audio.volume : 0, context.currentTime, 0.005);
    });
    buttons.forEach((button, i) => button.setAttribute('aria-pressed', String(i === which)));
  };
  // Which is which is drawn by chance and known to the script alone until it is asked for.
  const hide = (hidden) => {
    const { names, buttons, toggle } = comparing;
    const turned = hidden && crypto.getRandomValues(new Uint8Array(1))[0] & 1;
    const was = comparing.order;
    comparing.order = hidden ? (turned ? [1, 0] : [0, 1]) : [0, 1];
    comparing.hidden = hidden;
    buttons.forEach((button, i) => { button.textContent = hidden ? ['First', 'Second'][i] : names[i]; });
    toggle.textContent = hidden ? 'Tell which is which' : 'Hide which is which';
    comparing.status.textContent = hidden ? 'Which is which was drawn by chance.' : comparing.about;
    if (!hidden && comparing.wasHidden) comparing.status.textContent = `First was ${names[was[0]]}, Second was ${names[was[1]]}.`;
    comparing.wasHidden = hidden;
    hear(0);
  };
  const push = (text, pressed) => {
    const button = document.createElement('button');
    button.type = 'button';
    button.textContent = text;
    if (pressed !== undefined) button.setAttribute('aria-pressed', String(pressed));
    return button;
  };
  const compare = async (place, button) => {
    still();
    audio.pause();
    const status = place.querySelector('[role=status]');
    const selects = all('select', place);
    const chosen = selects.length ? selects.map((select) => select.selectedOptions[0]) : all('data', place);
    let sounds;
    let context;
    try {
      const loaded = await Promise.all(chosen.map((one) => load(one.getAttribute('value'), one.dataset.file)));
      context = new AudioContext({ sampleRate: loaded[0].rate });
      sounds = await Promise.all(loaded.map((one, i) => context.decodeAudioData(bytes(one.sounds[selects.length ? 0 : i]))));
    } catch {
      status.textContent = 'The excerpt is missing, or this browser cannot decode it.';
      return;
    }
    const start = context.currentTime + 0.05;
    const gains = sounds.map((sound) => {
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
    const buttons = names.map((name) => push(name, false));
    const toggle = push('Hide which is which');
    const controls = document.createElement('span');
    controls.append(' ', ...buttons.flatMap((one) => [one, ' ']), toggle, ' ');
    button.after(controls);
    const from = chosen.map((one) => `${one.textContent} from ${one.dataset.from} s, ${signed(one.dataset.gain)}`);
    comparing = {
      context, button, label: button.textContent, controls, status, buttons, toggle, names, sounds, gains,
      about: `${sounds[0].duration.toFixed(1)} s over and over, made equally loud: ${from.join('; ')}. X switches.`,
    };
    buttons.forEach((one, i) => one.addEventListener('click', () => hear(i)));
    toggle.addEventListener('click', () => hide(!comparing.hidden));
    hide(false);
    button.textContent = 'Stop';
    player.hidden = false;
    playing.textContent = 'Comparing, in step; the volume of the player counts.';
  };
  audio.addEventListener('volumechange', () => { if (comparing) hear(comparing.heard); });
  // For whoever checks the page: what is being compared, as decoded.
  window.batterheadComparing = () => comparing && comparing.sounds;
  for (const place of all('.compare')) {
    const button = place.querySelector('button');
    place.hidden = false;
    button.addEventListener('click', () => {
      if (comparing && comparing.button === button) still();
      else compare(place, button);
    });
    all('select', place).forEach((select) => select.addEventListener('change', () => {
      if (comparing && comparing.button === button) still();
    }));
    place.addEventListener('keydown', (event) => {
      if (!comparing || comparing.button !== button || event.ctrlKey || event.altKey || event.metaKey) return;
      if (event.key.toLowerCase() !== 'x' || event.target.matches('select')) return;
      hear(1 - comparing.heard);
      event.preventDefault();
    });
  }
  audio.addEventListener('play', still);

  // An address of a track opens it.
  const reveal = () => {
    const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target && target.tagName === 'DETAILS') {
      target.open = true;
      target.scrollIntoView();
    }
  };
  addEventListener('hashchange', reveal);
  reveal();
  // The same link twice does not change the hash.
  document.addEventListener('click', (event) => {
    const link = event.target.closest('a[href^="#track-"]');
    if (link && link.hash === location.hash) reveal();
  });
  // All details at once, to search them or to print them.
  const unfold = document.getElementById('unfold');
  if (unfold) {
    const tracks = all('details.track');
    const label = () => { unfold.textContent = tracks.some((one) => !one.open) ? 'Open all' : 'Close all'; };
    unfold.hidden = false;
    unfold.addEventListener('click', () => {
      const open = tracks.some((one) => !one.open);
      tracks.forEach((one) => { one.open = open; });
      label();
    });
    tracks.forEach((one) => one.addEventListener('toggle', label));
    label();
  }

  // Sorting and filtering of the table of all tracks.
  const table = document.getElementById('all');
  if (!table) return;
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  const heads = Array.from(table.tHead.rows[0].cells);
  const text = (row, column) => row.cells[column].textContent.trim();
  const sort = (head, column) => {
    const falling = head.getAttribute('aria-sort') === 'ascending';
    heads.forEach((other) => other.removeAttribute('aria-sort'));
    head.setAttribute('aria-sort', falling ? 'descending' : 'ascending');
    const sign = falling ? -1 : 1;
    const numeric = head.dataset.sort === 'number';
    const keyed = rows.map((row, order) => ({ row, order, key: numeric ? parseFloat(text(row, column)) : text(row, column) }));
    keyed.sort((a, b) => {
      if (!numeric) return sign * a.key.localeCompare(b.key, 'en', { numeric: true }) || a.order - b.order;
      // What has no figure stays at the end.
      if (Number.isNaN(a.key) || Number.isNaN(b.key)) return Number.isNaN(a.key) - Number.isNaN(b.key) || a.order - b.order;
      return sign * (a.key - b.key) || a.order - b.order;
    });
    body.append(...keyed.map((one) => one.row));
  };
  heads.forEach((head, column) => {
    if (!head.dataset.sort) return;
    const button = document.createElement('button');
    button.type = 'button';
    const label = [...head.childNodes];
    const wrap = () => {
      button.append(...label);
      head.append(button);
    };
    wrap();
    button.addEventListener('click', () => sort(head, column));
    // A head that is printed again on each sheet shows no buttons.
    addEventListener('beforeprint', () => head.replaceChildren(...label));
    addEventListener('afterprint', wrap);
  });
  const words = document.getElementById('words');
  const open = document.getElementById('open');
  const shown = document.getElementById('shown');
  const filter = () => {
    const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    for (const row of rows) {
      const has = row.textContent.toLowerCase();
      const fits = wanted.every((word) => has.includes(word)) && (!open.checked || 'open' in row.dataset);
      row.hidden = !fits;
      count += fits;
    }
    shown.textContent = `${count} of ${rows.length} tracks`;
  };
  words.addEventListener('input', filter);
  open.addEventListener('change', filter);
  document.getElementById('filter').hidden = false;
  filter();
})();
