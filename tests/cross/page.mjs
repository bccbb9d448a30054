// Opens a prepared folder's session.html in headless Chromium and holds it to its promises:
// no request but for files, no error, no violation of WCAG 2.2 AA in either scheme, sorting and
// filtering by keyboard, a player that plays, a print that holds every track.
//
//   npm install --no-save playwright-core axe-core
//   node tests/cross/page.mjs DIR [FOLDER FOR SCREENSHOTS]
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
const address = pathToFileURL(resolve(folder, 'session.html')).href;
const session = JSON.parse(readFileSync(resolve(folder, 'session.json'), 'utf8'));
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});

const open = async (options) => {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  const foreign = [];
  const errors = [];
  page.on('request', (request) => { if (!/^(file|data|blob):/.test(request.url())) foreign.push(request.url()); });
  page.on('console', (message) => { if (message.type() === 'error') errors.push(message.text()); });
  page.on('pageerror', (error) => errors.push(String(error)));
  const start = Date.now();
  await page.goto(address);
  return { context, page, foreign, errors, ms: Date.now() - start };
};

for (const colorScheme of ['light', 'dark']) {
  for (const width of [1280, 390]) {
    const { context, page, foreign, errors, ms } = await open({ colorScheme, viewport: { width, height: 900 } });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth);
    assert.ok(wide <= width, `${colorScheme} ${width}: the page is ${wide} px wide`);
    // One track open is enough: they are all made alike.
    await page.evaluate(() => { const one = document.querySelector('details.track'); if (one) one.open = true; });
    if (shots) await page.screenshot({ path: `${shots}/${colorScheme}-${width}.png`, fullPage: true });
    const cdp = await context.newCDPSession(page);
    const { result } = await cdp.send('Runtime.evaluate', {
      expression: `${axe}; axe.run({ preload: false, runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] }).then((r) => JSON.stringify(r.violations.map((v) => [v.id, v.help, v.nodes.length, v.nodes[0].html])))`,
      awaitPromise: true,
      returnByValue: true,
    });
    const violations = JSON.parse(result.value);
    assert.deepEqual(violations, [], `${colorScheme} ${width}`);
    assert.deepEqual(foreign, []);
    assert.deepEqual(errors, []);
    console.log(`${colorScheme} ${width}: opened in ${ms} ms, no request, no error, no violation`);
    await context.close();
  }
}

{
  const { context, page, errors } = await open({ viewport: { width: 1280, height: 900 } });
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
  const places = page.locator('.compare');
  if (await places.count()) {
    // A track without any stage: before and after must be the same samples, in step.
    const untouched = session.tracks.find((t) => ['click', 'talkback', 'unknown-mic'].includes(t.mic) && t.gain_db === 0);
    for (const name of [untouched?.name, session.tracks[0].name].filter(Boolean)) {
      const details = page.locator('details.track', { has: page.locator(`summary strong:text-is("${name}")`) });
      await details.evaluate((one) => { one.open = true; });
      await details.locator('.compare button').first().click();
      await page.waitForFunction(() => window.batterheadComparing(), null, { timeout: 15000 });
      const [before, after] = await page.evaluate(() => window.batterheadComparing().map((s) => [s.sampleRate, s.length, Array.from(s.getChannelData(0))]));
      assert.deepEqual(before.slice(0, 2), after.slice(0, 2));
      if (name === untouched?.name) assert.deepEqual(before[2], after[2]);
      const other = details.locator('.compare button').nth(1);
      assert.equal(await other.textContent(), 'Hearing: before');
      await other.focus();
      await page.keyboard.press('Enter');
      assert.equal(await other.textContent(), 'Hearing: after');
      await details.locator('.compare button').first().click();
      assert.equal(await page.evaluate(() => window.batterheadComparing()), null);
    }
    console.log('before and after are decoded and switched in step');
  }
  const link = page.locator('#all tbody th a').last();
  const target = (await link.getAttribute('href')).split('#')[1];
  if ((await link.getAttribute('href')).startsWith('#')) {
    await link.click();
    assert.ok(await page.locator(`#${target}`).evaluate((one) => one.open));
  }
  assert.deepEqual(errors, []);
  if (shots) {
    await page.pdf({ path: `${shots}/print.pdf`, format: 'A4', preferCSSPageSize: true });
    console.log('printed');
  }
  await context.close();
}

{
  // Without a script it is still a document with every track in it.
  const { context, page } = await open({ javaScriptEnabled: false });
  const text = await page.content();
  for (const track of session.tracks) assert.ok(text.includes(track.name), track.name);
  assert.equal(await page.locator('a.listen').count() > 0, session.tracks.some((t) => t.output));
  console.log('whole without a script');
  await context.close();
}
await browser.close();
