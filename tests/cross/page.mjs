// Opens a prepared folder's session.html in headless Chromium and checks what it promises: no request
// but for files, no error, no violation of WCAG 2.2 AA in either scheme, nothing wider than the window,
// short and quick, the first rough mix within ten stops of the Tab key, one player with keys, places
// that play, comparisons in step and equally loud, also blind, a print with all marks and places,
// whole without a script.
//
//   node tests/cross/page.mjs DIR [FOLDER FOR SCREENSHOTS]
//
// See browser.mjs for what it needs, and `pdftotext` (Debian: poppler-utils).
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { json, launch, looks, open } from './browser.mjs';
import { lowPassed, loudness, offset } from './sound.mjs';

const [folder, shots] = process.argv.slice(2);
const PAGE = 'session.html';
const session = json(folder, 'session.json');
// A larger session has its tracks on one page a song.
const large = session.tracks.length > 300;
const browser = await launch();
const desk = { viewport: { width: 1280, height: 900 } };

const bytes = statSync(resolve(folder, PAGE)).size;
assert.ok(bytes < (large ? 6e5 : 3e6), `the page has ${bytes} bytes`);
console.log(`${session.tracks.length} tracks, ${(bytes / 1e6).toFixed(2)} MB`);

// The tracks of the first song, one of them open: they are all made alike.
const detailed = large ? `session-files/${session.tracks[0].song}.html` : PAGE;
const unfold = () => { const one = document.querySelector('details.track'); if (one) one.open = true; };
await looks(browser, folder, PAGE, shots, unfold);
if (large) await looks(browser, folder, detailed, shots, unfold);

const active = (page) => page.evaluate(() => {
  const one = document.activeElement;
  return { text: one.textContent.trim(), mix: Boolean(one.closest('#listen') && one.classList.contains('listen')) };
});

{
  const { context, page, clean, ms } = await open(browser, folder, PAGE, desk);
  assert.ok(ms < 2000, `opened in ${ms} ms`);
  const takes = session.totals.takes;
  const height = await page.evaluate(() => document.documentElement.scrollHeight);
  console.log(`${takes} takes are ${height} px high`);
  if (takes <= 12) assert.ok(height < 6000, `${height} px high`);

  // Something to hear is near.
  if (session.mixes.some((mix) => mix.path)) {
    let stops = 0;
    do {
      await page.keyboard.press('Tab');
      stops += 1;
    } while (stops < 30 && !(await active(page)).mix);
    assert.ok(stops <= 10, `the first rough mix is stop ${stops}`);
    await page.keyboard.press('Enter');
    await page.waitForFunction(() => document.querySelector('#player audio').currentTime > 0.1, null, { timeout: 15000 });
    const state = () => page.evaluate(() => {
      const audio = document.querySelector('#player audio');
      return { paused: audio.paused, volume: audio.volume, at: audio.currentTime, shown: !document.getElementById('player').hidden };
    });
    assert.ok((await state()).volume <= 0.3);
    await page.keyboard.press('Enter');
    assert.ok((await state()).paused, 'the same button pauses');
    await page.keyboard.press('ArrowRight');
    assert.ok((await state()).at > 4 || (await page.evaluate(() => document.querySelector('#player audio').duration)) < 6, 'the arrow seeks');
    await page.keyboard.press('Escape');
    assert.equal((await state()).shown, false);
    assert.ok((await active(page)).mix, 'the focus is back where it was');
    console.log(`a rough mix by stop ${stops} of the keyboard, played, paused, sought, closed`);
  }

  // A list is one stop, arrows go through it.
  const lines = page.locator('#needs table.needs tbody tr');
  if (await lines.count() > 1) {
    await page.locator('#needs a, #needs button').first().focus();
    const first = await active(page);
    await page.keyboard.press('ArrowDown');
    assert.notDeepEqual(await active(page), first);
    const stops = await page.evaluate(() => document.querySelectorAll('#needs [tabindex="0"]').length);
    assert.equal(stops, 1);
  }

  // A place plays four seconds around it.
  const place = page.locator('#needs .where button.listen').first();
  if (await place.count()) {
    const title = await place.textContent();
    await place.click();
    await page.waitForFunction(() => !document.querySelector('#player audio').paused && document.querySelector('#player audio').currentTime > 0, null, { timeout: 15000 });
    const [, minutes, seconds] = title.match(/(\d+):(\d+\.\d)/);
    const at = Number(minutes) * 60 + Number(seconds);
    const now = await page.evaluate(() => document.querySelector('#player audio').currentTime);
    assert.ok(now > at - 1.6 && now < at + 3.6, `${now} s for ${at} s`);
    await page.keyboard.press('Escape');
    console.log('a place plays around itself');
  }

  // Every mark leads to its track.
  const mark = page.locator('table.glance a').first();
  if (await mark.count()) {
    // The takes of a song without trouble are folded on a large page.
    const folded = await mark.evaluate((a) => a.closest('details.fold')?.open === false);
    if (folded) await mark.locator('xpath=ancestor::details[1]/summary').click();
    const [file, target] = (await mark.getAttribute('href')).split('#');
    assert.equal(large, file !== '');
    await mark.click();
    await page.waitForFunction((id) => document.getElementById(id)?.closest('details.track').open, target);
  }
  clean();
  await context.close();
}

if (!large) {
  const { context, page, clean } = await open(browser, folder, PAGE, desk);
  const mics = new Set(session.tracks.map((t) => `${t.song} ${t.name.replace(t.take, '')}`)).size;
  assert.equal(await page.locator('details.track').count(), mics, 'a row a mic and song');
  await page.locator('#words').fill('snare-top');
  const left = await page.locator('details.track:visible').count();
  assert.equal(await page.locator('#shown').textContent(), `${left} of ${mics} mics`);
  assert.ok(left < mics);
  clean();
  await context.close();
}
// What is being compared, as decoded in the page: rate, and channels of each sound. As text out of the
// page: numbers one by one take a hundred times as long.
const decoded = async (page) => {
  await page.waitForFunction(() => window.batterheadComparing(), null, { timeout: 20000 });
  const sounds = await page.evaluate(() => window.batterheadComparing().map((sound) => ({
    rate: sound.sampleRate,
    texts: Array.from({ length: sound.numberOfChannels }, (_, c) => {
      const bytes = new Uint8Array(sound.getChannelData(c).slice().buffer);
      let text = '';
      for (let at = 0; at < bytes.length; at += 8192) text += String.fromCharCode(...bytes.subarray(at, at + 8192));
      return btoa(text);
    }),
  })));
  const samples = (text) => Array.from(new Float32Array(Uint8Array.from(Buffer.from(text, 'base64')).buffer));
  return sounds.map(({ rate, texts }) => ({ rate, channels: texts.map(samples) }));
};
const equallyLoud = (sounds, what) => {
  const [a, b] = sounds.map(({ channels, rate }) => loudness(channels, rate));
  assert.ok(Math.abs(a - b) <= 0.1, `${what}: ${a} and ${b} LUFS`);
};

// Notes gains, and lets the test decide how coins fall.
const watch = () => {
  globalThis.made = [];
  globalThis.coins = [];
  const create = BaseAudioContext.prototype.createGain;
  BaseAudioContext.prototype.createGain = function created() {
    const node = create.call(this);
    made.push(node);
    return node;
  };
  const random = crypto.getRandomValues.bind(crypto);
  crypto.getRandomValues = (array) => {
    if (coins.length === 0) return random(array);
    array[0] = coins.shift();
    return array;
  };
};

{
  const { context, page, clean } = await open(browser, folder, detailed, desk, watch);
  const places = page.locator('details.track:has(.actions .compare)');
  const count = await places.count();
  let compared = 0;
  for (let i = 0; i < count; i += 1) {
    const details = places.nth(i);
    const name = await details.locator('.actions .compare').getAttribute('data-about');
    const track = session.tracks.find((t) => t.name === name);
    const report = json(folder, track.report);
    await details.evaluate((one) => { one.open = true; });
    const button = details.locator('[data-compare=open]');
    await button.click();
    const sounds = await decoded(page);
    const [before, after] = sounds;
    assert.equal(before.rate, report.sources[0].sample_rate_hz);
    assert.equal(before.channels[0].length, after.channels[0].length);
    equallyLoud(sounds, name);
    const stages = report.decisions.stages.map((stage) => Object.keys(stage)[0]);
    // What a low-pass delays and takes away is delayed and taken away from the source too; the rest is
    // a sample or two.
    for (const { 'low-pass': low } of report.decisions.stages) {
      if (low) before.channels[0] = lowPassed(before.channels[0], low.freq_hz, low.order, before.rate);
    }
    const near = stages.some((stage) => ['drive', 'low-pass', 'gate'].includes(stage)) ? 16 : 0;
    // A second around the loudest moment.
    const [one, other] = [before, after].map((sound) => sound.channels[0].slice(0.5 * before.rate, 1.5 * before.rate));
    const late = offset(one, other);
    assert.ok(Math.abs(late) <= near, `${name}: ${late} samples late`);
    if (stages.length === 0 && report.decisions.gain_db === 0) assert.deepEqual(before.channels, after.channels, name);
    compared += 1;
    await button.click();
    assert.equal(await page.evaluate(() => window.batterheadComparing()), null);
    await details.evaluate((one) => { one.open = false; });
  }
  if (count) {
    const details = places.first();
    await details.evaluate((one) => { one.open = true; });
    await details.locator('[data-compare=open]').click();
    await decoded(page);
    const heard = () => page.evaluate(async () => {
      await new Promise((done) => { setTimeout(done, 150); });
      return made.slice(-2).map((gain) => gain.gain.value > 0.01);
    });
    assert.deepEqual(await heard(), [true, false]);
    await page.keyboard.press('2');
    assert.deepEqual(await heard(), [false, true], '2 switches');
    await page.keyboard.press('1');
    assert.deepEqual(await heard(), [true, false], '1 switches back');
    const documents = [];
    for (const coin of [0, 1]) {
      await page.evaluate((value) => { coins = [value]; }, coin);
      await page.locator('#sounds').getByRole('button', { name: 'Blind' }).click();
      documents.push(await page.evaluate(() => document.documentElement.outerHTML.replace(/\d+:\d\d of \d+:\d\d/g, '').replace(/value="\d+"/g, '')));
      assert.deepEqual(await heard(), coin ? [false, true] : [true, false], 'the coin decides who is X');
      await page.locator('#sounds').getByRole('button', { name: 'Show which is which' }).click();
      assert.match(await details.locator('.compare [role=status]').textContent(), coin ? /X was stem/ : /X was source/);
    }
    assert.equal(documents[0], documents[1], 'the document does not show which is which');
    console.log(`${compared} mics: source and stem in step, within 0.1 LU, blind on request`);
  }
  clean();
  await context.close();
}

{
  const { context, page, clean } = await open(browser, folder, PAGE, desk);
  // Of a long session only the first song is open.
  await page.evaluate(() => document.querySelectorAll('#listen details').forEach((one) => { one.open = true; }));
  const places = page.locator('#listen .compare');
  for (let i = 0; i < await places.count(); i += 1) {
    await places.nth(i).locator('[data-compare=open]').click();
    equallyLoud(await decoded(page), `takes ${i}`);
  }
  console.log(`${await places.count()} songs: takes within 0.1 LU of each other`);
  clean();

  const work = shots ?? mkdtempSync(join(tmpdir(), 'page-print-'));
  await page.goto(`file://${resolve(folder, PAGE)}`);
  const path = join(work, 'session.pdf');
  await page.pdf({ path, format: 'A4', preferCSSPageSize: true });
  // Lines may be broken within a name.
  const text = execFileSync('pdftotext', ['-layout', path, '-'], { maxBuffer: 1e9 }).toString();
  const bare = text.replace(/\s+/g, '');
  for (const song of new Set(session.tracks.map((t) => t.song))) assert.ok(bare.includes(song), `${song} is lost in print`);
  const where = await page.locator('#needs .where').allTextContents();
  for (const time of where.flatMap((cell) => cell.match(/\d+:\d\d\.\d/g) ?? []).slice(0, 12)) assert.ok(bare.includes(time), `${time} is lost in print`);
  const sheets = readFileSync(path).toString('latin1').match(/\/Type\s*\/Page\b/g)?.length;
  console.log(`in print: ${sheets} sheets`);
  assert.ok(sheets <= 9 + session.totals.takes / 10, `${sheets} sheets`);
  if (!shots) rmSync(work, { recursive: true });
  await context.close();
}

{
  // Without a script it is still a document, and what plays is a link to the sound.
  const { context, page } = await open(browser, folder, detailed, { javaScriptEnabled: false });
  const text = await page.content();
  const held = large ? session.tracks.filter((t) => t.song === session.tracks[0].song) : session.tracks;
  for (const track of held) assert.ok(text.includes(track.report.split('/').pop()), track.name);
  assert.equal(await page.locator('a.listen').count() > 0, session.tracks.some((t) => t.output));
  assert.equal(await page.locator('button:visible').count(), 0, 'a button without a script does nothing');
  console.log('whole without a script');
  await context.close();
}
await browser.close();
