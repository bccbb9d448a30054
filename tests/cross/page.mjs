// Opens a prepared folder's session.html in headless Chromium and holds it to its promises:
// no request but for files, no error, no violation of WCAG 2.2 AA in either scheme, small and quick,
// sorting and filtering by keyboard, a player that plays, comparisons in step and equally loud,
// a print that holds every track.
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
// A larger session has its details on one page a take.
const large = session.tracks.length > 300;
const browser = await launch();

const bytes = statSync(resolve(folder, PAGE)).size;
assert.ok(bytes < 3e6, `the page has ${bytes} bytes`);
console.log(`${session.tracks.length} tracks, ${(bytes / 1e6).toFixed(2)} MB`);

// One track open is enough: they are all made alike.
const unfold = () => { const one = document.querySelector('details.track'); if (one) one.open = true; };
await looks(browser, folder, PAGE, shots, unfold);

{
  const { context, page, clean, ms } = await open(browser, folder, PAGE, { viewport: { width: 1280, height: 900 } });
  assert.ok(ms < 2000, `opened in ${ms} ms`);
  const rows = page.locator('#all tbody tr:visible');
  assert.equal(await rows.count(), session.tracks.length);
  const column = async (key) => page.locator(`#all tbody tr:visible td[data-key="${key}"]`).allTextContents();
  const gains = (await column('gain_db')).map(Number);
  assert.deepEqual(gains, session.tracks.map((t) => t.gain_db), 'the numbers of the table are those of the JSON');
  const head = page.locator('#all thead th', { hasText: 'Gain' });
  await head.locator('button').focus();
  await page.keyboard.press('Enter');
  assert.equal(await head.getAttribute('aria-sort'), 'ascending');
  assert.deepEqual((await column('gain_db')).map(Number), [...gains].sort((a, b) => a - b));
  await page.keyboard.press('Space');
  assert.equal(await head.getAttribute('aria-sort'), 'descending');
  assert.deepEqual((await column('gain_db')).map(Number), [...gains].sort((a, b) => b - a));
  await page.locator('#words').focus();
  await page.keyboard.type('snare-top');
  const left = session.tracks.filter((t) => t.name.includes('snare-top')).length;
  assert.equal(await rows.count(), left);
  assert.equal(await page.locator('#shown').textContent(), `${left} of ${session.tracks.length} tracks`);
  await page.locator('#words').fill('');
  console.log('sorted and filtered by keyboard');

  const play = page.locator('button.listen').first();
  if (await play.count()) {
    await play.focus();
    await page.keyboard.press('Enter');
    await page.waitForFunction(() => document.querySelector('#player audio').currentTime > 0.1, null, { timeout: 15000 });
    const volume = await page.locator('#player audio').evaluate((audio) => audio.volume);
    assert.ok(volume <= 0.3, `volume ${volume}`);
    assert.ok((await page.locator('#player').textContent()).includes('volume down'));
    await page.keyboard.press('Enter');
    assert.ok(await page.locator('#player audio').evaluate((audio) => audio.paused));
    console.log('a stem plays, quietly, and stops by the same key');
  }

  const link = page.locator('#all tbody th a').last();
  const [file, target] = (await link.getAttribute('href')).split('#');
  await link.click();
  await page.waitForFunction((id) => document.getElementById(id)?.open, target);
  assert.equal(large, file !== '', 'details of a large session stand on pages of their own');
  clean();
  await context.close();
}

// The page that holds the details of a track.
const detailed = large ? session.tracks[0].song && `session-files/${session.tracks[0].song}_${session.tracks[0].take}.html` : PAGE;
if (large) await looks(browser, folder, detailed, shots, unfold);

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
  const { context, page, clean } = await open(browser, folder, detailed, { viewport: { width: 1280, height: 900 } }, watch);
  const places = page.locator('details.track:has(.compare)');
  const count = await places.count();
  let compared = 0;
  for (let i = 0; i < count; i += 1) {
    const details = places.nth(i);
    const name = await details.locator('summary strong').textContent();
    const track = session.tracks.find((t) => t.name === name);
    const report = json(folder, track.report);
    await details.evaluate((one) => { one.open = true; });
    await details.locator('.compare > button').click();
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
    const near = stages.some((stage) => ['drive', 'low-pass'].includes(stage)) ? 16 : 0;
    // A second around the loudest moment.
    const [one, other] = [before, after].map((sound) => sound.channels[0].slice(0.5 * before.rate, 1.5 * before.rate));
    const late = offset(one, other);
    assert.ok(Math.abs(late) <= near, `${name}: ${late} samples late`);
    if (stages.length === 0 && report.decisions.gain_db === 0) assert.deepEqual(before.channels, after.channels, name);
    compared += 1;
    await details.locator('.compare > button').click();
    assert.equal(await page.evaluate(() => window.batterheadComparing()), null);
    await details.evaluate((one) => { one.open = false; });
  }
  if (count) {
    const details = places.first();
    await details.evaluate((one) => { one.open = true; });
    await details.locator('.compare > button').click();
    await decoded(page);
    const heard = () => page.evaluate(async () => {
      await new Promise((done) => { setTimeout(done, 150); });
      return made.slice(-2).map((gain) => gain.gain.value > 0.01);
    });
    assert.deepEqual(await heard(), [true, false]);
    await page.keyboard.press('x');
    assert.deepEqual(await heard(), [false, true], 'X switches');
    const documents = [];
    for (const coin of [0, 1]) {
      await page.evaluate((value) => { coins = [value]; }, coin);
      await details.getByRole('button', { name: 'Hide which is which' }).click();
      documents.push(await page.evaluate(() => document.documentElement.outerHTML));
      assert.deepEqual(await heard(), coin ? [false, true] : [true, false], 'the coin decides who is First');
      await details.getByRole('button', { name: 'Tell which is which' }).click();
      assert.match(await details.locator('[role=status]').first().textContent(), coin ? /First was after/ : /First was before/);
    }
    assert.equal(documents[0], documents[1], 'the document does not tell which is which');
    console.log(`${compared} stems: before and after in step, within 0.1 LU, hidden on request`);
  }
  clean();
  await context.close();
}

{
  const { context, page, clean } = await open(browser, folder, PAGE, { viewport: { width: 1280, height: 900 } });
  const places = page.locator('p.compare');
  for (let i = 0; i < await places.count(); i += 1) {
    await places.nth(i).locator('button').first().click();
    equallyLoud(await decoded(page), `takes ${i}`);
  }
  console.log(`${await places.count()} songs: takes within 0.1 LU of each other`);
  clean();

  const work = shots ?? mkdtempSync(join(tmpdir(), 'page-print-'));
  const pages = large ? [PAGE, detailed] : [PAGE];
  for (const name of pages) {
    await page.goto(`file://${resolve(folder, name)}`);
    const path = join(work, `${name.replace(/\W+/g, '-')}.pdf`);
    await page.pdf({ path, format: 'A4', preferCSSPageSize: true });
    // Lines may be broken within a name.
    const text = execFileSync('pdftotext', ['-layout', path, '-'], { maxBuffer: 1e9 }).toString();
    const bare = text.replace(/\s+/g, '');
    const held = name === PAGE ? session.tracks : session.tracks.filter((t) => t.song === session.tracks[0].song && t.take === session.tracks[0].take);
    const lost = held.filter((t) => !bare.includes(t.name));
    assert.deepEqual(lost.map((t) => t.name), [], 'lost in print');
    const sheets = readFileSync(path).toString('latin1').match(/\/Type\s*\/Page\b/g)?.length;
    console.log(`${name} in print: ${sheets} sheets hold ${held.length} tracks`);
    assert.ok(sheets <= 8 + held.length / (name === PAGE ? 20 : 1), `${sheets} sheets`);
  }
  if (!shots) rmSync(work, { recursive: true });
  await context.close();
}

{
  // Without a script it is still a document with every track in it.
  const { context, page } = await open(browser, folder, PAGE, { javaScriptEnabled: false });
  const text = await page.content();
  for (const track of session.tracks) assert.ok(text.includes(track.name), track.name);
  assert.equal(await page.locator('a.listen').count() > 0, session.tracks.some((t) => t.output));
  console.log('whole without a script');
  await context.close();
}
await browser.close();
