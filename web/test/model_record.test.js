// What the page records and does by itself, with the real rules, the real book and the memory store.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { counterOf, newDeviceStore } from '../app/device.js';
import { GRACE_MS } from '../app/countdown.js';
import { MISPRESS_MS } from '../rules/fold.js';
import { memoryStore } from '../store/db.js';
import { newMirror } from '../store/mirror.js';
import { ended, forever, NOW, page, PLAN, started, storage, until } from './model_helper.js';

test('ids count from 000001 without gaps, whatever could not be recorded in between', async () => {
  const p = await page();
  await started(p);
  await assert.rejects(p.model.record('note', { text: 'x'.repeat(20_000) }), { code: 'bad-event' });
  await p.model.record('look', null);
  assert.deepEqual(p.seen.sent.map((/** @type {any} */ e) => counterOf(e.id)), [1, 2, 3]);
  assert.match(p.seen.sent[0].id, /^[0-9a-hjkmnp-tv-z]{10}-000001$/);
  assert.match(p.seen.sent[0].hold, /^[0-9a-hjkmnp-tv-z]{10}-h01$/);
});

test('an event is on the disk before it is shown, and shown before it is sent', async () => {
  const disk = memoryStore();
  /** @type {string[]} */
  const order = [];
  /** @type {any} */
  const store = {
    ...disk,
    async add(/** @type {any} */ row, /** @type {boolean} */ strict) {
      await new Promise((done) => setTimeout(done, 1));
      order.push(`disk ${row.event.kind}${strict ? ' strictly' : ''}`);
      return disk.add(row, strict);
    },
  };
  const p = await page({ disk, store });
  const shownAt = () => p.model.currentHold()?.events.map((e) => e.kind) ?? [];
  const done = p.model.newHold(PLAN);
  assert.deepEqual(shownAt(), []);
  await done;
  order.push(`shown ${shownAt().at(-1)}`);
  await p.model.record('start', null);
  await p.model.record('look', null);
  assert.deepEqual(order, ['disk plan', 'shown plan', 'disk start strictly', 'disk look']);
  assert.deepEqual(p.seen.sent.length, 3);
});

test('H08 H20 what a hold cannot do without is on the disk itself before it is shown, and so is what meets an alarm', async () => {
  const disk = memoryStore();
  /** @type {string[]} */
  const strictly = [];
  /** @type {any} */
  const store = {
    ...disk,
    add(/** @type {any} */ row, /** @type {boolean} */ strict) {
      if (strict) strictly.push(row.event.kind);
      return disk.add(row, strict);
    },
  };
  const p = await page({ disk, store });
  await started(p);
  for (const kind of ['look', 'asked', 'answered', 'contraction', 'end-hold']) await p.model.record(kind, null);
  assert.deepEqual(strictly.splice(0), ['start']);
  await p.pass(60_000);
  assert.equal(p.model.status()?.standing?.rung, 'alarm');
  for (const kind of ['contraction', 'answered']) await p.model.record(kind, null);
  assert.deepEqual(strictly.splice(0), ['answered']);
  for (const kind of ['no-answer', 'surfaced', 'awake', 'ok', 'look', 'incident', 'with-them', 'recovered']) {
    await p.model.record(kind, null);
    await p.pass(1000);
  }
  assert.deepEqual(strictly.splice(0), ['no-answer', 'surfaced', 'ok', 'incident', 'recovered']);
  await p.model.record('watch-ended', { forced: true });
  assert.deepEqual(strictly.splice(0), ['watch-ended']);
});

test('H02 a disk that hangs does not hold up a press: it is shown within 300 ms, and the page says so', async () => {
  const disk = memoryStore();
  let longest = 0;
  const wait = async (/** @type {number} */ ms) => {
    longest = Math.max(longest, ms);
  };
  const p = await page({ disk, wait, store: { ...disk, add: forever } });
  await started(p);
  await p.model.record('no-answer', null);
  assert.ok(longest > 0 && longest < 300, `waited up to ${longest} ms for the disk`);
  assert.equal(p.model.status()?.standing?.rung, 'alarm');
  assert.equal(p.model.slowDisk(), true);
});

test('H02 an alarm does not wait for the disk, and an answer does', async () => {
  for (const [kind, data, ladder] of /** @type {const} */ ([
    ['no-answer', null, 'bring_up'], ['sign', { what: 'limp' }, 'bring_up'], ['incident', { what: 'unknown' }, 'ladder'],
  ])) {
    const disk = memoryStore();
    /** @type {any} */
    const store = { ...disk };
    const p = await page({ disk, store });
    await started(p);
    store.add = forever;
    void p.model.record('answered', null);
    assert.equal(p.model.currentHold()?.events.at(-1)?.kind, 'start');
    void p.model.record(kind, data);
    await p.pass(1);
    assert.equal(p.model.status()?.[ladder]?.rung, 'alarm', kind);
    assert.equal(p.seen.felt, 2, 'the tick says that the disk has it');
  }
});

test('H10 a page loaded anew in a hold goes on where it was, with the same counter', async () => {
  const disk = memoryStore();
  const local = storage();
  const one = await page({ disk, local });
  const hold = await started(one);
  await one.pass(20_000);
  await one.model.record('look', null);

  const two = await page({ disk, local, at: NOW + 25_000 });
  two.model.restore(await disk.ofPair('p1'));
  assert.equal(two.model.currentHold()?.id, hold);
  assert.equal(two.model.status()?.phase, 'hold');
  assert.equal(two.model.status()?.silence_ms, 5000);
  two.model.wasAway(5000);
  assert.deepEqual(two.model.away(), { ms: 5000, at: NOW + 25_000 });
  await two.model.record('look', null);
  assert.equal(two.model.away(), null, 'a look answers for the time away');
  assert.equal(counterOf(two.seen.sent[0].id), 4);
});

test('H10 the mirror alone brings a running hold back where the database has lost it', async () => {
  const local = storage();
  const one = await page({ local });
  const hold = await started(one);
  await one.model.record('look', null);

  const two = await page({ local, at: NOW + 3000 });
  const mirrored = newMirror(local).read();
  assert.equal(mirrored?.hold, hold);
  await two.model.restoreMirror(/** @type {any} */ (mirrored));
  assert.equal(two.model.status()?.phase, 'hold');
  assert.equal((await two.disk.ofPair('p1')).length, 3, 'and it is on the disk again');
  assert.equal(two.model.unsentEvents().length, 3, 'and goes to the host again');
  await two.model.record('look', null);
  assert.equal(counterOf(two.seen.sent[0].id), 4, 'no counter is used twice');
});

test('the mirror follows the running hold only', async () => {
  const p = await page();
  await started(p);
  assert.equal(p.mirror.read()?.events.length, 2);
  await ended(p);
  assert.equal(p.mirror.read(), null);
  const next = await p.model.newHold(PLAN);
  assert.equal(p.mirror.read()?.hold, next);
  assert.equal(p.mirror.read()?.events.length, 1);
});

test('without a press for 15 s after zero the hold counts from zero, once', async () => {
  const p = await page();
  await p.model.newHold(PLAN);
  await p.model.record('breathe-up', { zero_at: NOW + 10_000 });
  await p.pass(10_000 + GRACE_MS - 250);
  assert.equal(p.model.status()?.phase, 'breathe-up');
  await p.pass(5000);
  const starts = p.seen.sent.filter((/** @type {any} */ e) => e.kind === 'start');
  assert.equal(starts.length, 1);
  assert.equal(starts[0].at, NOW + 10_000);
  assert.equal(p.model.status()?.phase, 'hold');
});

test('a countdown that was stopped, moved or met by a press starts nothing by itself', async () => {
  const stopped = await page();
  await stopped.model.newHold(PLAN);
  await stopped.model.record('breathe-up', { zero_at: NOW + 1000 });
  await stopped.pass(500);
  await stopped.model.record('breathe-up', { stop: true });
  await stopped.pass(40_000);
  assert.equal(stopped.model.status()?.phase, 'breathe-up');

  const pressed = await page();
  await pressed.model.newHold(PLAN);
  await pressed.model.record('breathe-up', { zero_at: NOW + 1000 });
  await pressed.pass(2000);
  await pressed.model.record('start', null);
  await pressed.pass(40_000);
  assert.equal(pressed.seen.sent.filter((/** @type {any} */ e) => e.kind === 'start').length, 1);

  const siren = await page({ role: 'siren' });
  await siren.model.receive([
    { id: 'z9y8x7w6v5-000001', hold: 'z9y8x7w6v5-h01', kind: 'plan', at: NOW, by: 'buddy', data: PLAN },
    { id: 'z9y8x7w6v5-000002', hold: 'z9y8x7w6v5-h01', kind: 'breathe-up', at: NOW, by: 'buddy', data: { zero_at: NOW + 1000 } },
  ]);
  await siren.pass(40_000);
  assert.equal(siren.seen.sent.length, 0);
});

test('a press can be taken back for ten seconds, by the phone it was made on', async () => {
  const p = await page();
  await started(p);
  const look = await p.model.record('no-answer', null);
  assert.equal(p.model.status()?.standing?.rung, 'alarm');
  assert.deepEqual(p.model.takeBackList().map((t) => [t.kind, t.left_ms]), [['no-answer', MISPRESS_MS], ['start', MISPRESS_MS]]);
  await p.pass(MISPRESS_MS);
  await p.model.takeBack(look.id);
  assert.equal(p.model.status()?.standing?.rung, undefined);
  assert.deepEqual(p.model.takeBackList().map((t) => t.kind), ['start'], 'what is taken back is offered no more');

  const late = await p.model.record('sign', { what: 'limp' });
  await p.pass(MISPRESS_MS + 250);
  await assert.rejects(p.model.takeBack(late.id), { code: 'too-late' });
  await assert.rejects(p.model.takeBack('z9y8x7w6v5-000001'), { code: 'not-own' });
  assert.deepEqual(p.model.takeBackList(), []);
});

test('every press is felt; what the page does by itself is not', async () => {
  const p = await page();
  await started(p);
  const before = p.seen.felt;
  await p.model.record('look', null);
  assert.equal(p.seen.felt, before + 1);
  p.model.sounded({ rung: 'prompt', due: NOW + 30_000, off_ms: 4 });
  p.model.sounded({ rung: 'prompt', due: NOW + 30_000, off_ms: 5 });
  await until(() => p.seen.sent.some((/** @type {any} */ e) => e.kind === 'sounded'));
  assert.equal(p.seen.felt, before + 1);
  assert.deepEqual(p.seen.sent.filter((/** @type {any} */ e) => e.kind === 'sounded').map((/** @type {any} */ e) => e.data), [
    { rung: 'prompt', due: NOW + 30_000, off_ms: 4 },
  ]);
});

test('H11 a siren records nothing, and a second tab records nothing', async () => {
  const siren = await page({ role: 'siren' });
  await assert.rejects(siren.model.record('look', null, { hold: 'k7p2qabcde-h01' }), { code: 'not-allowed' });
  const tab = await page();
  tab.seen.first = false;
  await assert.rejects(tab.model.newHold(PLAN), { code: 'second-tab' });
  assert.equal((await tab.disk.ofPair('p1')).length, 0);
});

test('without a hold only the place card, a sound check and a note can be recorded', async () => {
  const p = await page();
  await assert.rejects(p.model.record('look', null), { code: 'no-hold' });
  await p.model.record('place', { number: '112', address: 'Quay 3' });
  assert.deepEqual(p.model.place(), { number: '112', address: 'Quay 3' });
  assert.equal(p.model.currentHold(), null);
  assert.deepEqual(p.model.holds(), []);
  await p.model.record('place', { number: '999' });
  assert.deepEqual(p.model.place(), { number: '999' });
});

test('the next hold waits for the last one to end and to be spoken of', async () => {
  const p = await page();
  await assert.rejects(p.model.newHold({ diver: 'Ansa' }), { code: 'bad-plan' });
  await started(p);
  await assert.rejects(p.model.newHold(PLAN), { code: 'hold-running' });
  await ended(p, '');
  await assert.rejects(p.model.newHold(PLAN), { code: 'verdict-due' });
  await p.model.record('verdict', { what: 'clean' });
  const id = await p.model.newHold({ ...PLAN, diver: 'Odo', buddy: 'Ansa' });
  assert.equal(id, p.seen.sent.at(-1).id.replace(/-0*(\d+)$/, (/** @type {string} */ _, /** @type {string} */ n) => `-h${n.padStart(2, '0')}`), 'numbered as its plan');
  assert.equal(p.model.currentHold()?.id, id);
});

test('H19 after a blackout the diver is blocked for the day, as a diver and as the only buddy', async () => {
  const p = await page();
  await started(p);
  await p.pass(30_000);
  await p.model.record('incident', { what: 'blackout' });
  await p.model.record('with-them', null);
  await p.model.record('recovered', null);
  await p.pass(70_000);
  await p.model.record('watch-ended', null);
  await p.model.record('verdict', { what: 'passed-out' });
  assert.equal(p.model.blockedToday('ansa ')?.what, 'blackout');
  await assert.rejects(p.model.newHold(PLAN), { code: 'blocked' });
  await assert.rejects(p.model.newHold({ ...PLAN, diver: 'Odo', buddy: 'Ansa' }), { code: 'blocked' });
  assert.match(await p.model.newHold({ ...PLAN, diver: 'Odo', buddy: 'Ansa' }, ['Ansa', 'Tuva']), /-h\d+$/);
});

test('rest and the last hold are those of the person, whoever holds the phone', async () => {
  const p = await page();
  await started(p);
  await ended(p);
  const last = p.model.lastHoldOf('Ansa');
  assert.equal(last?.hold_ms, 30_000);
  await p.pass(60_000);
  assert.equal(p.model.restMs('Ansa'), p.clock.now() - Number(last?.surfaced_at));
  assert.equal(p.model.lastHoldOf('Odo'), null);
  assert.equal(p.model.restMs('Odo'), null);
  assert.equal(p.model.planPrefill()?.planned_s, 180);
});

test('H08 what the host refuses is kept and told; what it stores is sent no more', async () => {
  const p = await page();
  await started(p);
  const [plan, start] = p.seen.sent;
  p.model.stored([plan.id]);
  p.model.refuse([start.id], 'future', 'the event lies 4000 ms ahead of the host’s time');
  p.model.refuse(['z9y8x7w6v5-000001'], 'role', 'of another device');
  assert.deepEqual(p.model.refused().map((r) => [r.id, r.kind, r.code]), [[start.id, 'start', 'future']]);
  const rows = await p.disk.ofPair('p1');
  assert.deepEqual(rows.map((r) => r.state), ['stored', 'refused']);
  assert.equal(p.model.status()?.phase, 'hold', 'and it still counts here');
});

test('what the host lacks is offered to it, whoever made it, but not again what it does not take', async () => {
  const p = await page();
  await started(p);
  const other = { id: 'z9y8x7w6v5-000001', hold: String(p.model.currentHold()?.id), kind: 'contraction', at: NOW, by: 'diver' };
  await p.model.receive([other]);
  const [plan, start] = p.seen.sent;
  const lacked = (/** @type {Record<string, number>} */ have) => p.model.lackedBy({ have, beyond: {} }).map((e) => e.id).sort();
  assert.deepEqual(lacked({}), [plan.id, start.id, other.id].sort());
  assert.deepEqual(lacked({ [plan.id.slice(0, 10)]: 1 }), [start.id, other.id].sort());
  p.model.refuse([other.id, start.id], 'not-of-pair', 'the device does not belong to this pair');
  assert.deepEqual(lacked({}), [plan.id]);
});

test('events of others are stored before they are shown, and malformed ones are left out', async () => {
  const p = await page();
  const hold = 'z9y8x7w6v5-h01';
  await p.model.receive([
    { id: 'z9y8x7w6v5-000001', hold, kind: 'plan', at: NOW, by: 'buddy', data: PLAN },
    { id: '', hold, kind: 'start', at: NOW },
    { id: 'z9y8x7w6v5-000002', hold, kind: 'start', at: NOW, by: 'buddy', data: { of: 'a newer version' } },
    'nonsense',
  ]);
  assert.equal(p.model.currentHold()?.id, hold);
  assert.equal(p.model.status()?.phase, 'hold');
  const rows = await p.disk.ofPair('p1');
  assert.deepEqual(rows.map((r) => r.state), ['stored', 'stored']);
  assert.deepEqual(rows[1].event.data, { of: 'a newer version' }, 'unknown fields are kept');
  assert.deepEqual(p.model.counts(), { have: { z9y8x7w6v5: 2 }, beyond: {} });
  assert.deepEqual(p.model.lackedBy({ have: { z9y8x7w6v5: 1 }, beyond: {} }).map((e) => e.id), ['z9y8x7w6v5-000002']);
});

test('the same id with other content is reported, and the first content is kept', async () => {
  const p = await page();
  const event = { id: 'z9y8x7w6v5-000001', hold: 'z9y8x7w6v5-h01', kind: 'plan', at: NOW, by: 'buddy', data: PLAN };
  await p.model.receive([event]);
  await p.model.receive([{ ...event, data: { ...PLAN, planned_s: 240 } }]);
  assert.equal(p.model.currentHold()?.events[0].data?.planned_s, 180);
  assert.deepEqual(p.model.refused().map((r) => r.code), ['conflict']);
});

test('what was recorded alone goes along when the phone joins a pair', async () => {
  const disk = memoryStore();
  const local = storage();
  const devices = newDeviceStore(disk, local);
  await devices.save({
    device: 'k7p2qabcde', pair: '', number: null, session: '', role: 'buddy', name: 'Odo', token: '', secret: '', alone: true,
  });
  const p = await page({ disk, local });
  await p.model.become({ ...p.model.identity(), pair: '', token: '' });
  await started(p);
  await p.model.become({ ...p.model.identity(), pair: 'p9', token: 'tok', alone: false });
  assert.deepEqual((await disk.ofPair('p9')).length, 2);
  assert.equal(p.model.unsentEvents().length, 2);
  assert.equal(p.model.status()?.phase, 'hold');
});

test('a hold nobody ended does not haunt the next day', async () => {
  const disk = memoryStore();
  const local = storage();
  const one = await page({ disk, local });
  await started(one);
  const two = await page({ disk, local, at: NOW + 2 * 3_600_000 });
  two.model.restore(await disk.ofPair('p1'));
  assert.equal(two.model.status()?.phase, 'hold', 'after two hours it still sounds');
  const three = await page({ disk, local, at: NOW + 20 * 3_600_000 });
  three.model.restore(await disk.ofPair('p1'));
  assert.equal(three.model.currentHold(), null);
  assert.equal(three.model.holds().length, 1, 'it stays in the log');
});

test('H08 a phone that lost power, and with it what it had sent, gives no number twice', async () => {
  const disk = memoryStore();
  const local = storage();
  const first = await page({ disk, local });
  await started(first);
  const device = first.model.identity().device;
  // The database forgets the rows, and localStorage all of it; who it is, and up to where it may have counted, is written for good.
  disk.rows.clear();
  const offline = await page({ disk, local: storage(), awayMs: 60_000 });
  assert.equal(offline.model.identity().device, device);
  const hold = await offline.model.newHold(PLAN);
  assert.equal(counterOf(offline.seen.sent[0].id), 201, 'above all that may have been given out');
  assert.equal(hold, `${device}-h201`, 'nor is it the hold that was forgotten');

  const soon = await page({ disk, local, awayMs: 10_000 });
  await soon.model.record('place', { number: '1' });
  assert.equal(counterOf(soon.seen.sent[0].id), 3, 'a page loaded anew goes on without a gap');
});

test('numbers are reserved for good before they run out', async () => {
  const disk = memoryStore();
  const p = await page({ disk });
  await started(p);
  for (let i = 0; i < 450; i += 1) await p.model.record('reading', { spo2: 97, source: 'finger' });
  const { n } = /** @type {any} */ (disk.meta.get('counter'));
  assert.ok(n >= 452 + 100, `${n} are reserved after 452`);
});

test('H06 only a hold made on this phone keeps this phone\'s time', async () => {
  const p = await page();
  assert.equal(p.model.madeHere(), false, 'no hold');
  await started(p);
  assert.equal(p.model.madeHere(), true);
  const other = await page();
  const made = { hold: 'bbbbbbbbbb-h01', by: 'buddy' };
  await other.model.receive([
    { ...made, id: 'bbbbbbbbbb-000001', kind: 'plan', at: NOW - 60_000, data: PLAN },
    { ...made, id: 'bbbbbbbbbb-000002', kind: 'start', at: NOW - 50_000 },
  ]);
  await other.model.record('look', null);
  assert.deepEqual([other.model.status()?.phase, other.model.madeHere()], ['hold', false], 'what is recorded in another\'s hold changes nothing');
});
