// Plays all candidates together and lets one of them be heard. Everything else on the page can be
// read without it.
'use strict';
(() => {
  const byId = (id) => document.getElementById(id);
  const section = byId('voices');
  const count = Number(section.dataset.count);
  const rate = Number(section.dataset.rate);
  const letters = Array.from({ length: count }, (_, i) => String.fromCharCode(97 + i));
  const excerpts = letters.map((letter) => (globalThis.shootout ?? {})[letter]);
  if (excerpts.some((text) => !text)) return;
  byId('player').hidden = false;
  byId('trial').hidden = false;

  // How long a switch takes: no click, and no gap.
  const FADE_S = 0.008;
  const volume = byId('volume');
  const play = byId('play');
  const choices = byId('choices');
  const names = Array.from(choices.querySelectorAll('button'), (button) => button.textContent);
  // The part of full scale that the slider stands for: square law, so that the lower half is quiet.
  const loudness = () => (Number(volume.value) / 100) ** 2;

  let context = null;
  let master = null;
  let buffers = null;
  let voices = []; // one gain a candidate, while it plays
  let heard = 0; // place among the buttons
  // Which candidate each button stands for. Never in the document.
  let order = names.map((_, i) => i);

  const decode = async () => {
    try {
      context = new AudioContext({ sampleRate: rate });
    } catch {
      context = new AudioContext();
    }
    master = context.createGain();
    master.gain.value = loudness();
    master.connect(context.destination);
    const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
    buffers = await Promise.all(excerpts.map((text) => context.decodeAudioData(bytes(text))));
  };

  const hear = () => {
    voices.forEach(({ gain }, i) => {
      const now = context.currentTime;
      gain.gain.cancelScheduledValues(now);
      gain.gain.setValueAtTime(gain.gain.value, now);
      gain.gain.linearRampToValueAtTime(i === order[heard] ? 1 : 0, now + FADE_S);
    });
    Array.from(choices.children).forEach((button, i) => button.setAttribute('aria-pressed', String(i === heard)));
  };

  const stop = () => {
    voices.forEach(({ source }) => source.stop());
    voices = [];
    play.textContent = 'Play';
    play.setAttribute('aria-pressed', 'false');
  };

  let starting = false;
  const start = async () => {
    if (starting) return;
    starting = true;
    try {
      if (!buffers) await decode();
      await context.resume();
      const at = context.currentTime + 0.05;
      voices = buffers.map((buffer, i) => {
        const source = context.createBufferSource();
        const gain = context.createGain();
        source.buffer = buffer;
        source.loop = true;
        gain.gain.value = i === order[heard] ? 1 : 0;
        source.connect(gain).connect(master);
        source.start(at);
        return { source, gain };
      });
      play.textContent = 'Stop';
      play.setAttribute('aria-pressed', 'true');
    } catch {
      byId('result').textContent = 'This browser cannot play the excerpts; play the files named below.';
    } finally {
      starting = false;
    }
  };
  const toggle = () => (voices.length ? stop() : start());
  play.addEventListener('click', toggle);

  volume.addEventListener('input', () => {
    byId('loud').textContent = `${volume.value} %`;
    if (master) master.gain.setTargetAtTime(loudness(), context.currentTime, 0.02);
  });

  const choose = (place) => {
    if (place < 0 || place >= choices.children.length) return;
    heard = place;
    hear();
  };

  // The buttons, made anew for names that tell or do not tell which is which.
  const buttons = (texts) => {
    choices.replaceChildren(...texts.map((text) => {
      const button = document.createElement('button');
      button.type = 'button';
      button.className = 'choice';
      button.textContent = text;
      return button;
    }));
    choose(0);
  };
  choices.addEventListener('click', (event) => {
    const place = Array.from(choices.children).indexOf(event.target.closest('button'));
    if (place >= 0) choose(place);
  });

  section.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.target.matches('select')) return;
    const arrows = event.target === volume ? {} : { ArrowLeft: -1, ArrowRight: 1 };
    if (/^[1-9]$/.test(event.key)) {
      choose(Number(event.key) - 1);
    } else if (event.key in arrows) {
      choose((heard + arrows[event.key] + choices.children.length) % choices.children.length);
    } else if (event.key.toLowerCase() === 'p' && !event.repeat) {
      toggle();
    } else {
      return;
    }
    event.preventDefault();
  });

  // Blind rounds.
  let blind = null;
  const coin = () => crypto.getRandomValues(new Uint8Array(1))[0] & 1;
  const deal = () => {
    const [one, other] = blind.pair;
    order = coin() ? [one, other] : [other, one];
    byId('round').textContent = `Round ${blind.round + 1} of ${blind.rounds}`;
    choose(0);
  };
  const show = (running) => {
    byId('blind').hidden = !running;
    byId('blind-setup').hidden = running;
  };
  const leave = () => {
    blind = null;
    show(false);
    order = names.map((_, i) => i);
    buttons(names);
  };
  byId('blind-start').addEventListener('click', () => {
    const pair = count > 2 ? [Number(byId('one').value), Number(byId('other').value)] : [0, 1];
    if (pair[0] === pair[1]) {
      byId('result').textContent = 'Choose two different ones.';
      return;
    }
    byId('result').textContent = '';
    blind = { pair, rounds: Number(byId('rounds').value), round: 0, first: 0 };
    buttons(['First', 'Second']);
    show(true);
    deal();
    choices.firstElementChild.focus();
  });
  byId('blind-end').addEventListener('click', () => {
    leave();
    byId('result').textContent = 'Stopped: nothing was counted.';
  });

  // Exact two-sided binomial test: how often a fair coin falls at least so unequally.
  const chance = (k, n) => {
    let ways = 1;
    let sum = 0;
    for (let i = 0; i <= n; i += 1) {
      if (Math.abs(2 * i - n) >= Math.abs(2 * k - n)) sum += ways;
      ways = (ways * (n - i)) / (i + 1);
    }
    return Math.min(1, sum / 2 ** n);
  };
  const prefer = (place) => {
    if (order[place] === blind.pair[0]) blind.first += 1;
    blind.round += 1;
    if (blind.round < blind.rounds) {
      deal();
      return;
    }
    const { pair, first, rounds } = blind;
    const p = chance(first, rounds);
    const percent = p < 0.001 ? 'less than 0.1' : (100 * p).toFixed(1);
    const verdict = p < 0.05
      ? 'That is hardly chance.'
      : 'May well be chance.';
    leave();
    byId('result').textContent = `${names[pair[0]]} was preferred in ${first} of ${rounds} rounds, ${names[pair[1]]} in ${rounds - first}. `
      + `By chance alone, a result this clear comes in ${percent} % of such tests (two-sided binomial test). ${verdict}`;
    byId('blind-start').focus();
  };
  byId('prefer-first').addEventListener('click', () => prefer(0));
  byId('prefer-second').addEventListener('click', () => prefer(1));
})();
