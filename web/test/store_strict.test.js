// What the page asks of the phone's disk: the real model over the real store, over a database that only notes how it is
// written to.
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { KINDS } from '../rules/event.js';
import { openStore } from '../store/db.js';
import { newMirror } from '../store/mirror.js';
import { page, PLAN, started, storage } from './model_helper.js';

/** Answers in turn, after the caller has set its handlers. @param {any} request @param {unknown} result */
const answer = (request, result) => queueMicrotask(() => {
  request.result = result;
  request.onsuccess?.({ target: request });
});

/**
 * An IndexedDB of which only writing is there. It notes for each row that is added how durable its transaction is.
 * @param {{id: string, kind: string, durability: string}[]} written
 * @param {{stuck: boolean}} how `stuck`: no transaction is ever done
 * @returns {any}
 */
function notingDatabase(written, how) {
  /** @type {Record<string, Map<unknown, any>>} */
  const stores = { events: new Map(), meta: new Map() };
  const db = {
    transaction(/** @type {string} */ _, /** @type {string} */ mode = 'readonly', /** @type {any} */ options = {}) {
      /** @type {any} */
      const tx = {
        objectStore: (/** @type {string} */ name) => ({
          get: (/** @type {unknown} */ key) => request(stores[name].get(key)),
          getKey: (/** @type {unknown} */ key) => request(stores[name].has(key) ? key : undefined),
          add(/** @type {any} */ row) {
            stores[name].set(row.id, row);
            written.push({ id: row.id, kind: row.event.kind, durability: options.durability ?? 'default' });
          },
          put: (/** @type {any} */ value, /** @type {unknown} */ key = value.id) => stores[name].set(key, value),
        }),
      };
      const request = (/** @type {unknown} */ result) => {
        /** @type {any} */
        const r = {};
        answer(r, result);
        return r;
      };
      if (mode === 'readwrite' && !how.stuck) setTimeout(() => tx.oncomplete?.(), 0);
      return tx;
    },
    close() {},
  };
  return {
    open() {
      /** @type {any} */
      const r = {};
      answer(r, db);
      return r;
    },
  };
}

/** A page whose store is the real one. */
async function onDisk(local = storage()) {
  /** @type {{id: string, kind: string, durability: string}[]} */
  const written = [];
  const how = { stuck: false };
  const store = await openStore(notingDatabase(written, how));
  assert.equal(store.kind(), 'disk');
  const p = await page({ store: /** @type {any} */ (store), local });
  /** Records, and says how. @param {string} kind @param {Record<string, unknown> | null} [data] */
  const ask = async (kind, data = null) => {
    const { id } = await p.model.record(kind, data);
    const [row, ...more] = written.filter((w) => w.id === id);
    assert.equal(more.length, 0, `${kind} is written once`);
    return row.durability;
  };
  return { ...p, ask, how, written };
}

/** What a hold cannot do without, and what may meet an alarm. */
const ALWAYS = ['start', 'no-answer', 'surfaced', 'ok', 'incident', 'recovered', 'watch-ended'];
const IN_ALARM = [...ALWAYS, 'look', 'asked', 'answered', 'awake'];

test('H08 H20 the disk itself is waited for by exactly the kinds that a hold cannot do without', async () => {
  const calm = await onDisk();
  await started(calm);
  const asked = [];
  for (const kind of KINDS.filter((k) => !ALWAYS.includes(k))) if ((await calm.ask(kind)) === 'strict') asked.push(kind);
  assert.deepEqual(asked, [], 'with no alarm standing');

  for (const kind of ALWAYS) {
    const p = await onDisk();
    await started(p);
    assert.equal(await p.ask(kind), 'strict', `${kind} in a calm hold`);
  }

  for (const kind of KINDS) {
    const p = await onDisk();
    await started(p);
    await p.pass(60_000);
    assert.equal(p.model.status()?.standing?.rung, 'alarm');
    assert.equal(await p.ask(kind, kind === 'plan' ? PLAN : null), IN_ALARM.includes(kind) ? 'strict' : 'relaxed', `${kind} in an alarm`);
  }
});

test('H10 the mirror has an event as it was recorded, before the disk has answered', async () => {
  const local = storage();
  const p = await onDisk(local);
  await started(p);
  p.clock.hear({ offset_ms: p.clock.info().offset_ms, doubt_ms: 7, synced: true, clock_id: 'c1' });
  p.how.stuck = true;
  void p.model.record('contraction', { site: 'belly', of: { a: ['newer', 'page'] } });
  const mirrored = newMirror(local).read()?.events.find((e) => e.kind === 'contraction');

  p.how.stuck = false;
  const sent = /** @type {any} */ (await p.model.record('contraction', { site: 'belly', of: { a: ['newer', 'page'] } }));
  assert.ok(Number(sent.err) > 0 && typeof sent.mac === 'string', 'with its doubt and its seal');
  assert.deepEqual(newMirror(local).read()?.events.at(-1), sent);
  assert.deepEqual(Object.keys(mirrored ?? {}).sort(), Object.keys(sent).sort(), 'also the one that the disk never took');

  const again = await onDisk(local);
  await again.model.restoreMirror(/** @type {any} */ (newMirror(local).read()));
  const back = again.model.unsentEvents();
  assert.deepEqual(back.find((e) => e.id === sent.id), sent, 'and offers it again with the same content');
  assert.ok(back.some((e) => e.id === mirrored?.id));
});
