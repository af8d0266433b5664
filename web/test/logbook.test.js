// Ensures that the log of everything a phone knows goes out, comes in and is erased whole, and is read without folding again.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { importLines, jsonLines, outingsOf, ownOf, tableRows } from '../app/out_in.js';
import { divers, knownPairs, knownPeople, personNamed } from '../app/people.js';
import { profileDraft, readProfileDraft } from '../app/profile_form.js';
import { newBook } from '../app/book.js';
import { newLogbook } from '../app/logbook.js';
import { erasedIds, newEraser } from '../app/erase.js';
import { newTender } from '../app/log_tending.js';
import { newDisk } from './disk_helper.js';
import { CSV_COLUMNS, csvCell } from '../app/csv.js';

const NOON = new Date(2026, 4, 12, 12).getTime();

/**
 * One clean hold of two minutes.
 * @param {number} n @param {string} diver @param {string} buddy @param {number} at
 */
function hold(n, diver, buddy, at) {
  const id = `aaaaaaaaaa-h${String(n).padStart(2, '0')}`;
  let counter = n * 100;
  const put = (/** @type {string} */ kind, /** @type {number} */ ms, /** @type {any} */ data) => ({
    id: `aaaaaaaaaa-${String(++counter).padStart(6, '0')}`, hold: id, kind, at: at + ms, by: 'buddy', ...(data ? { data } : {}),
  });
  return [
    put('plan', -1000, { diver, buddy, setting: 'dry', planned_s: 180, cadence: 'standard' }), put('start', 0, null), put('look', 28_000, null), put('look', 56_000, null),
    put('contraction', 80_000, { site: 'belly' }), put('asked', 83_000, null), put('answered', 84_000, { took_ms: 1000 }), put('answered', 105_000, null),
    put('surfaced', 120_000, null), put('ok', 126_000, null), put('look', 134_000, null), put('look', 150_000, null), put('look', 165_000, null), put('look', 180_000, null), put('watch-ended', 182_000, null),
    put('verdict', 190_000, { what: 'clean' }),
  ];
}
const profile = { id: 'aaaaaaaaaa-000001', hold: 'aaaaaaaaaa-h00', kind: 'profile', at: NOON - 9000, by: 'buddy', data: { diver_id: 'ansa1', name: 'Ansa' } };
const events = [
  profile, ...hold(1, 'Ansa', 'Odo', NOON), ...hold(2, 'Odo', 'Ansa', NOON + 1_200_000), ...hold(3, 'Ansa', 'Odo', NOON + 86_400_000),
];
const text = events.map((e) => JSON.stringify(e)).join('\n');

/** @param {string} words @param {number} [size] */
async function* pieces(words, size = 700) {
  for (let i = 0; i < words.length; i += size) yield words.slice(i, i + size);
}
const on = { told: () => {}, stopped: () => false };

/** @param {import('./disk_helper.js').Disk} store */
function page(store) {
  const book = newBook();
  const logbook = newLogbook({ store, book, now: () => NOON + 2 * 86_400_000, changed: () => {}, breathe: async () => {}, later: async () => ({ newTender: (s, env) => newTender(s, env, store.summaries) }) });
  return { book, logbook, load: () => logbook.begin().then(logbook.tend) };
}

test('a file comes in whole, twice changes nothing, and what is wrong is told by line and reason', async () => {
  const store = newDisk();
  const first = await importLines(store, pieces(text), on);
  assert.deepEqual([first.read, first.added, first.known, first.refusals], [events.length, events.length, 0, 0]);
  assert.equal(store.rows.size, events.length);
  const again = await importLines(store, pieces(text, 61), on);
  assert.deepEqual([again.added, again.known, again.refusals], [0, events.length, 0]);

  const other = { ...events[3], at: events[3].at + 1 };
  const bad = await importLines(store, pieces(`{\n\n{"id":5}\n${JSON.stringify(other)}\n`), on);
  assert.deepEqual(bad.refused.map((r) => [r.line, r.id, r.code]), [[1, '', 'bad-json'], [3, '', bad.refused[1].code], [4, other.id, 'conflict']]);
  assert.equal(store.rows.get(other.id)?.event.at, events[3].at, 'the first is kept');
});

test('an import can be stopped: what is here is whole holds, and the same file brings the others', async () => {
  const store = newDisk();
  const many = Array.from({ length: 30 }, (_, i) => hold(i + 1, 'Ansa', 'Odo', NOON + i * 1_200_000)).flat();
  const lines = Array.from({ length: 10 }, (_, r) => many.map((e) => ({ ...e, id: e.id.replace(/^a/, String(r)), hold: e.hold.replace(/^a/, String(r)) }))).flat();
  // As a host writes several pairs: in turns.
  lines.sort((a, b) => a.at - b.at);
  const file = lines.map((e) => JSON.stringify(e)).join('\n');
  const half = await importLines(store, pieces(file), { told: () => {}, stopped: () => store.rows.size >= 400 });
  assert.equal(half.stopped, true);
  assert.ok(store.rows.size < lines.length);
  const size = hold(1, '', '', 0).length;
  /** @type {Map<string, number>} */
  const here = new Map();
  for (const { event } of store.rows.values()) here.set(event.hold, (here.get(event.hold) ?? 0) + 1);
  assert.deepEqual(new Set(here.values()), new Set([size]), 'also where holds lie mixed in the file');
  const rest = await importLines(store, pieces(file), on);
  assert.equal(half.added + rest.added, lines.length);

  // Stopped before anything was on the disk, in the middle of a hold.
  const early = newDisk();
  let asked = 0;
  const few = await importLines(early, pieces(text), { told: () => {}, stopped: () => (asked += 1) > 22 });
  assert.deepEqual([few.stopped, few.added], [true, 1 + 2 * size]);
  assert.deepEqual(new Set([...early.rows.values()].map((r) => r.event.hold)), new Set(['aaaaaaaaaa-h00', 'aaaaaaaaaa-h01', 'aaaaaaaaaa-h02']));
});

test('what goes out comes in again as it was, with the profile of its diver and nobody else’s', async () => {
  const store = newDisk();
  await importLines(store, pieces(text), on);
  const { logbook, load } = page(store);
  await load();
  const ansa = logbook.lines().filter((l) => l.diver === 'Ansa');
  const out = (await jsonLines(store, ansa, NOON, () => {})).join('');
  const there = newDisk();
  await importLines(there, pieces(out), on);
  assert.deepEqual([...there.rows.keys()].sort(), events.filter((e) => !e.hold.endsWith('h02')).map((e) => e.id).sort());
  const odo = (await jsonLines(store, logbook.lines().filter((l) => l.diver === 'Odo'), NOON, () => {})).join('');
  assert.ok(!odo.includes('profile'));
});

test('what was changed, lost or cut off in a file is told of by its line, and all else is taken', async () => {
  const store = newDisk();
  await importLines(store, pieces(text), on);
  const { logbook, load } = page(store);
  await load();
  const file = (await jsonLines(store, logbook.lines(), NOON, () => {})).join('');
  const lines = file.trimEnd().split('\n');
  /** @param {string[]} changed */
  const codes = async (changed) => {
    const there = newDisk();
    const so = await importLines(there, pieces(changed.join('\n')), on);
    assert.equal(there.rows.size, so.added);
    return [so.added, ...so.refused.map((r) => `${r.line} ${r.code}`)];
  };
  const n = events.length;
  assert.deepEqual(await codes(lines), [n]);
  const at = lines.findIndex((l) => l.includes('"kind":"look"'));
  const but = (/** @type {string} */ line) => lines.map((l, i) => (i === at ? line : l));
  assert.deepEqual(await codes(but(lines[at].replace('"kind":"look"', '"kind":"asks"'))), [n - 1, `${at + 1} damaged`, `${lines.length} changed`]);
  assert.deepEqual(await codes(but(lines[at].replace(/"stored_ms":\d/, '"stored_ms":9'))), [n - 1, `${at + 1} damaged`, `${lines.length} changed`]);
  assert.deepEqual(await codes(but(lines[at].replace(/"pair":"[^"]+"/, '"pair":"nobody’s"'))), [n - 1, `${at + 1} no-pair`, `${lines.length} changed`]);
  assert.deepEqual(await codes(but('{"event":')), [n - 1, `${at + 1} bad-json`, `${lines.length} changed`]);
  assert.deepEqual(await codes(lines.filter((_, i) => i !== at)), [n - 1, `${lines.length - 1} changed`]);
  assert.deepEqual(await codes(lines.slice(0, -1)), [n, `${lines.length - 1} cut-off`]);
  await assert.rejects(codes([lines[0].replace('"v":1', '"v":2'), ...lines.slice(1)]), { code: 'version' });
});

test('H11 nothing out of a file is added to the hold people are at', async () => {
  const store = newDisk();
  const mine = events.filter((e) => e.hold.endsWith('h01'));
  const [first] = mine;
  await store.addAll([{ id: first.id, pair: 'p1', at: first.at, event: /** @type {any} */ (first), state: 'stored' }]);
  const so = await importLines(store, pieces(text), { ...on, running: first.hold });
  assert.deepEqual([so.known, so.added, so.refusals], [1, events.length - mine.length, mine.length - 1]);
  assert.ok(so.refused.every((r) => r.code === 'running'));
});

test('lines are kept on the disk and are the same as made anew', async () => {
  const store = newDisk();
  await importLines(store, pieces(text), on);
  const { logbook: made, load } = page(store);
  await load();
  assert.deepEqual(made.lines().map((l) => [l.diver, l.hold_ms, l.clean, l.over]), [['Ansa', 120_000, true, true], ['Odo', 120_000, true, true], ['Ansa', 120_000, true, true]]);
  assert.equal(made.whole(), true);
  const before = store.ofHold;
  store.ofHold = () => assert.fail('folded again');
  const again = page(store);
  const read = again.logbook;
  await again.load();
  store.ofHold = before;
  assert.deepEqual(read.lines(), made.lines());
  assert.equal(read.lines(), read.lines(), 'the same list while nothing changes');
  assert.deepEqual(read.profiles().map((p) => p.name), ['Ansa']);
  assert.equal(outingsOf(made.lines()).length, 2);
});

test('H21 an erased diver is gone from rows, lines and profiles, and the buddy’s own holds stay', async () => {
  const store = newDisk();
  await importLines(store, pieces(text), on);
  const { book, logbook, load } = page(store);
  for (const e of events.slice(0, 1 + hold(1, '', '', 0).length)) book.add(/** @type {any} */ (e), 'p1');
  await load();
  const { ids, holds } = await ownOf(store, logbook.lines(), { id: 'ansa1', key: 'ansa' });
  assert.equal(holds.length, 2);
  /** @type {string[]} */
  const forgotten = [];
  const model = /** @type {any} */ ({ forget: (/** @type {string[]} */ gone) => { forgotten.push(...gone); book.remove(gone); } });
  await newEraser({ store, model, logbook })(ids);
  assert.deepEqual(forgotten, ids);
  assert.deepEqual([...store.rows.values()].map((r) => r.event.hold).filter((h) => !h.endsWith('h02')), []);
  assert.equal(book.hold('aaaaaaaaaa-h01'), null);
  assert.deepEqual([...store.meta.keys()], []);
  assert.deepEqual([...store.lines.keys()], ['aaaaaaaaaa-h02']);
  assert.ok(!JSON.stringify([...store.digest]).includes('ansa1'), 'nothing that was made of them is left');
  await logbook.tend();
  assert.match(JSON.stringify([...store.digest]), /"key":"odo"/, 'the rest is said anew');
  assert.ok(!JSON.stringify([...store.digest]).includes('ansa1'));
  assert.deepEqual(logbook.lines().map((l) => l.diver), ['Odo']);
  assert.deepEqual(logbook.profiles(), []);
});

test('people are known from profiles and the log, the one met last first; ids win over names', async () => {
  const store = newDisk();
  await importLines(store, pieces(text), on);
  const { logbook, load } = page(store);
  await load();
  const people = knownPeople(logbook.lines(), logbook.profiles());
  assert.deepEqual(people.map((p) => [p.name, p.id, p.dived]), [['Ansa', 'ansa1', true], ['Odo', null, true]]);
  assert.deepEqual(divers(knownPeople(logbook.lines(), [])).map((p) => p.name).sort(), ['Ansa', 'Odo']);
  assert.deepEqual(personNamed(' ansa ', people), { id: 'ansa1', key: 'ansa' });
  assert.deepEqual(personNamed('Imre', people), { id: null, key: 'imre' });
  assert.deepEqual(knownPairs(logbook.lines(), 1), [{ diver: 'Ansa', buddy: 'Odo' }]);
  assert.equal(knownPairs(logbook.lines(), 5).length, 2);
});

test('a profile is read with its days, and refuses what is no day, too long, or somebody else’s name', () => {
  const draft = { ...profileDraft(null, 'k1', 'Ansa'), trained_on: '2026-05-12', remarks: ' quiet ' };
  const { data } = readProfileDraft(draft, NOON, []);
  assert.deepEqual([data?.diver_id, data?.trained_on, data?.lmc_on, data?.remarks], ['k1', '2026-05-12', null, 'quiet']);
  assert.equal(readProfileDraft({ ...draft, trained_on: '2026-05-13' }, NOON, []).errors.trained_on, 'that day is still to come');
  assert.equal(readProfileDraft({ ...draft, lmc_on: '2026-02-30' }, NOON, []).errors.lmc_on, 'not a day of the calendar');
  assert.ok(readProfileDraft({ ...draft, name: ' ' }, NOON, []).errors.name);
  assert.ok(readProfileDraft({ ...draft, remarks: 'x'.repeat(501) }, NOON, []).errors.remarks);
  const other = /** @type {any} */ ({ diver_id: 'k2', name: 'ANSA' });
  assert.ok(readProfileDraft(draft, NOON, [other]).errors.name);
});

test('the table has the host’s columns, follows RFC 4180, and no cell is a formula', async () => {
  const go = readFileSync(new URL('../../server/logbook/csv.go', import.meta.url), 'utf8');
  assert.deepEqual([...go.matchAll(/^\t\{"([a-z0-9_]+)", func/gm)].map(([, name]) => name), CSV_COLUMNS);
  assert.equal(csvCell('a "b", c'), '"a ""b"", c"');
  assert.equal(csvCell('two\nlines'), '"two\r\nlines"');
  for (const begin of ['=', '+', '-', '@', '\t', '＝', "'"]) assert.ok(csvCell(`${begin}1+1`).replace(/^"/, '').startsWith(`'${begin}`), JSON.stringify(begin));
  assert.deepEqual([csvCell(-3), csvCell(null), csvCell(false)], ['-3', '', 'false']);
  const store = newDisk();
  await importLines(store, pieces(text), on);
  const { logbook, load } = page(store);
  await load();
  const table = (await tableRows(store, logbook.lines(), NOON + 2 * 86_400_000, () => {})).join('');
  const rows = table.split('\r\n');
  assert.equal(rows.length, 5);
  assert.equal(rows.at(-1), '');
  assert.deepEqual(rows.map((r) => r.split(',').length).slice(0, 4), Array(4).fill(CSV_COLUMNS.length));
  const cells = rows[1].split(',');
  assert.equal(cells[CSV_COLUMNS.indexOf('start_utc')], new Date(NOON).toISOString());
  assert.deepEqual(['hold_ms', 'looks_count', 'taps_count', 'clean'].map((name) => cells[CSV_COLUMNS.indexOf(name)]), ['120000', '2', '1', 'true']);
});

test('H21 what the host says was erased is named by device and counters', () => {
  assert.deepEqual(erasedIds({ k7p2qabcde: [[3, 4], [9, 9]], x: [[0, 2], ['a', 'b'], 5] }), ['k7p2qabcde-000003', 'k7p2qabcde-000004', 'k7p2qabcde-000009']);
  assert.deepEqual(erasedIds(undefined), []);
  assert.ok(erasedIds({ x: [[1, 9e15]] }).length <= 100_000);
});
