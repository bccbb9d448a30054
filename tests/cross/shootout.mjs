// Opens shootout.html in headless Chromium and holds it to its promises: no request but for files,
// no error, no violation of WCAG 2.2 AA, all voices start at one time and one is heard, blind rounds
// leave no trace in the document of which is which, and the verdict is that of a binomial test.
//
//   npm install --no-save playwright-core axe-core
//   node tests/cross/shootout.mjs DIR [FOLDER FOR SCREENSHOTS]
//
// CHROMIUM names the browser, /usr/bin/chromium by default.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { resolve } from 'node:path';
import { pathToFileURL } from 'node:url';

const require = createRequire(resolve(process.cwd(), 'x.js'));
const { chromium } = require('playwright-core');
const axe = readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');

const [folder, shots] = process.argv.slice(2);
const address = pathToFileURL(resolve(folder, 'shootout.html')).href;
const report = JSON.parse(readFileSync(resolve(folder, 'shootout.json'), 'utf8'));
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--disable-background-networking', '--disable-component-update', '--disable-sync', '--autoplay-policy=no-user-gesture-required'],
});

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

const open = async (options) => {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  const foreign = [];
  const errors = [];
  page.on('request', (request) => { if (!/^(file|data|blob):/.test(request.url())) foreign.push(request.url()); });
  page.on('console', (message) => { if (message.type() === 'error') errors.push(message.text()); });
  page.on('pageerror', (error) => errors.push(String(error)));
  await page.addInitScript(watch);
  await page.goto(address);
  return { context, page, foreign, errors };
};

for (const colorScheme of ['light', 'dark']) {
  for (const width of [1280, 390]) {
    const { context, page, foreign, errors } = await open({ colorScheme, viewport: { width, height: 900 } });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth);
    assert.ok(wide <= width, `${colorScheme} ${width}: the page is ${wide} px wide`);
    if (shots) await page.screenshot({ path: `${shots}/shootout-${colorScheme}-${width}.png`, fullPage: true });
    const cdp = await context.newCDPSession(page);
    const { result } = await cdp.send('Runtime.evaluate', {
      expression: `${axe}; axe.run({ preload: false, runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] }).then((r) => JSON.stringify(r.violations.map((v) => [v.id, v.help, v.nodes.length, v.nodes[0].html])))`,
      awaitPromise: true,
      returnByValue: true,
    });
    assert.deepEqual(JSON.parse(result.value), [], `${colorScheme} ${width}`);
    assert.deepEqual(foreign, []);
    assert.deepEqual(errors, []);
    console.log(`${colorScheme} ${width}: no request, no error, no violation`);
    await context.close();
  }
}

const { context, page, errors } = await open({ viewport: { width: 1280, height: 900 } });
const count = report.candidates.length;
const settled = () => page.waitForTimeout(150);
// master first, then one a voice
const gains = () => page.evaluate((n) => heard.gains.slice(-n).map((g) => g.gain.value), count);

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
assert.match(text, /preferred 9 times/);
assert.match(text, / 2\.1 % /);
assert.match(text, /hardly chance/);
assert.equal(await page.locator('#choices button').count(), count);
assert.deepEqual(errors, []);
console.log(`blind: ${text}`);
await browser.close();
