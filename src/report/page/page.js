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

  // Before and after, in step: both run all the time, one of them is heard.
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
  let comparing = null;
  const still = () => {
    if (!comparing) return;
    comparing.context.close();
    comparing.button.textContent = 'Compare before and after';
    comparing.other.remove();
    comparing = null;
  };
  const compare = async (place, button) => {
    still();
    audio.pause();
    let one;
    try {
      one = await load(place.dataset.path, place.dataset.file);
    } catch {
      place.querySelector('[role=status]').textContent = 'the excerpt is missing';
      return;
    }
    const context = new AudioContext({ sampleRate: one.rate });
    const sounds = await Promise.all([one.before, one.after].map((text) => context.decodeAudioData(bytes(text))));
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
    const other = document.createElement('button');
    other.type = 'button';
    let heard = 0;
    const hear = (which) => {
      heard = which;
      gains.forEach((gain, i) => gain.gain.setTargetAtTime(i === which ? audio.volume : 0, context.currentTime, 0.005));
      other.textContent = which ? 'Hearing: after' : 'Hearing: before';
    };
    other.addEventListener('click', () => hear(1 - heard));
    hear(0);
    button.textContent = 'Stop';
    button.after(' ', other);
    player.hidden = false;
    playing.textContent = 'Before and after in step; the volume of the player counts.';
    comparing = { context, button, other, sounds };
    audio.addEventListener('volumechange', () => { if (comparing && comparing.context === context) hear(heard); });
  };
  // For whoever checks the page: what is being compared, as decoded.
  window.batterheadComparing = () => comparing && comparing.sounds;
  for (const place of all('.compare')) {
    const button = place.querySelector('button');
    place.hidden = false;
    button.addEventListener('click', () => {
      if (comparing && comparing.button === button) still();
      else compare(place, button);
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
  addEventListener('beforeprint', () => all('details').forEach((one) => { one.open = true; }));

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
    button.append(...head.childNodes);
    button.addEventListener('click', () => sort(head, column));
    head.append(button);
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
