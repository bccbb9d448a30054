// Opens shootout.html in headless Chromium and holds it to its promises: no request but for files,
// no error, no violation of WCAG 2.2 AA, all voices start at one time and one is heard, blind rounds
// leave no trace in the document of which is which, and the verdict is that of a binomial test.
//
//   node tests/cross/shootout.mjs DIR [FOLDER FOR SCREENSHOTS]
//
// See browser.mjs for what it needs.
import assert from 'node:assert/strict';
import { json, launch, looks, open } from './browser.mjs';

const [folder, shots] = process.argv.slice(2);
const report = json(folder, 'shootout.json');
const browser = await launch();

// Notes what the page asks of the audio system, and lets the test decide how coins fall.
const watch = () => {
  globalThis.heard = { starts: [], gains: [], lengths: [] };
  globalThis.coins = [];
  const start = AudioBufferSourceNode.prototype.start;
  AudioBufferSourceNode.prototype.start = function started(at) {
    heard.starts.push(at);
    heard.lengths.push(this.buffer.length);
    return start.call(this, at);
  };
  const create = BaseAudioContext.prototype.createGain;
  BaseAudioContext.prototype.createGain = function created() {
    const node = create.call(this);
    heard.gains.push(node);
    return node;
  };
  const random = crypto.getRandomValues.bind(crypto);
  crypto.getRandomValues = (array) => {
    if (coins.length === 0) return random(array);
    array[0] = coins.shift();
    return array;
  };
};

await looks(browser, folder, 'shootout.html', shots);

const { page, clean } = await open(browser, folder, 'shootout.html', { viewport: { width: 1280, height: 900 } }, watch);
const count = report.candidates.length;
const settled = () => page.waitForTimeout(150);
// master first, then one a voice
const gains = () => page.evaluate((n) => heard.gains.slice(-n).map((g) => g.gain.value), count);

// The answer stands first, and says what is said; what plays stands right below it.
const answer = await page.locator('header').innerText();
const places = await page.evaluate(() => ['header', '#player', '#differences'].map((at) => document.querySelector(at).getBoundingClientRect().top));
assert.ok(places[0] < places[1] && places[1] < places[2] && places[1] < 900, `answer, player, table at ${places}`);
if (report.words.length > 0) assert.match(answer, /is |has |rings /);
else assert.match(answer, /No provable difference|in snare|in kick|in tom|is |has |rings /);
console.log(answer.split('\n').slice(2).join(' '));

// Switching while it plays.
await page.locator('#play').click();
await page.waitForFunction((n) => heard.starts.length === n, count);
await settled();
const { starts, lengths } = await page.evaluate(() => ({ starts: heard.starts, lengths: heard.lengths }));
assert.equal(new Set(starts).size, 1, 'all start at one time');
assert.equal(new Set(lengths).size, 1, 'all are of one length');
assert.ok(await page.evaluate(() => heard.gains[0].gain.value) < 0.05, 'it starts quietly');
for (let i = 0; i < count; i += 1) {
  await page.keyboard.press(String(i + 1));
  await settled();
  assert.deepEqual(await gains(), Array.from({ length: count }, (_, k) => Number(k === i)), `key ${i + 1}`);
}
await page.keyboard.press('ArrowRight');
await settled();
assert.deepEqual((await gains())[0], 1);
assert.equal(await page.evaluate(() => heard.starts.length), count, 'switching starts nothing anew');
console.log('all voices start together, one is heard, keys switch');

// Blind rounds: whichever way the coin falls, the document is the same.
await page.locator('#rounds').selectOption('10');
const documents = [];
for (const coin of [0, 1]) {
  await page.evaluate((value) => { coins = [value]; }, coin);
  await page.locator('#blind-start').click();
  await settled();
  documents.push(await page.evaluate(() => document.documentElement.outerHTML));
  assert.deepEqual((await gains()).slice(0, 2), coin ? [1, 0] : [0, 1], 'the coin decides who is First');
  await page.locator('#blind-end').click();
  await page.evaluate(() => { document.getElementById('result').textContent = ''; });
}
assert.equal(documents[0], documents[1], 'the document does not tell which is which');

// Nine of ten for A: 2 · (1 + 10) / 2^10 = 2.1 %.
const fall = [1, 0, 1, 1, 0, 0, 1, 0, 1, 0];
await page.evaluate((values) => { coins = values; }, fall);
await page.locator('#blind-start').click();
for (const [round, coin] of fall.entries()) {
  assert.equal(await page.locator('#round').textContent(), `Round ${round + 1} of 10`);
  assert.equal(await page.locator('#result').textContent(), '');
  const wantA = round !== 4;
  await page.locator((coin === 1) === wantA ? '#prefer-first' : '#prefer-second').click();
}
const text = await page.locator('#result').textContent();
assert.match(text, /preferred in 9 of 10 rounds/);
assert.match(text, / 2\.1 % /);
assert.match(text, /hardly chance/);
assert.equal(await page.locator('#choices button').count(), count);
clean();
console.log(`blind: ${text}`);
await browser.close();
