/**
 * Tells a deliberate press from everything else that touches glass: drops,
 * a resting or trembling finger, a phone being dropped (hazards H12, H23).
 *
 * Pure: no page, no clock. Events come in as plain objects carrying a device
 * time in ms (any monotonic clock); `advance` says what has been pressed by
 * then. A press counts at the instant its time is over with the finger still
 * down. No ending of a touch ever counts, so letting go is never an answer.
 */

/** How long a finger must stay, in ms, for each kind of press. */
export const PRESS_MS = Object.freeze({ dry: 120, pool: 250, up: 400, alarm: 1000 });
/** A touch that moves further than this from where it began is no press (px). */
export const WANDER_PX = 24;
/** A contact renewed this soon at the same place is the same finger trembling (ms, own). */
export const BOUNCE_MS = 50;
/** A touch shorter than this was a drop or a brush: nobody waits for what it did (ms, own). */
export const BRUSH_MS = 40;
/** Two touches of the diver's must both be complete within this time (ms). */
export const TWICE_MS = 1500;
/**
 * Where `advance` runs later than this after the due time, the page was busy
 * and a lifting may be waiting behind it: it looks once more (ms, own).
 */
export const LATE_MS = 24;

/** @typedef {'dry' | 'pool' | 'up' | 'alarm'} PressKind */

/**
 * @typedef {object} TouchEvent
 * @property {'down' | 'move' | 'up' | 'cancel'} type `cancel` stands for everything that ends a touch without a lifting
 * @property {number | string} id the pointer
 * @property {number} x px
 * @property {number} y px
 * @property {boolean} inside whether this point lies on the surface
 * @property {number} at device ms
 */

/**
 * @typedef {object} Fired
 * @property {number | string} id the pointer, or `key`
 * @property {number} down_at device ms at which the finger came down
 * @property {number} at device ms at which the press was complete
 * @property {boolean} keyboard
 */

/**
 * @typedef {object} Touch
 * @property {number | string} id
 * @property {number} downAt
 * @property {number} x
 * @property {number} y
 * @property {boolean} dead
 * @property {number} ms time this touch needs
 * @property {boolean} keyboard
 * @property {boolean} looked true once a late look was put off
 */

/**
 * @typedef {object} Press
 * @property {(event: TouchEvent) => void} touch
 * @property {(type: 'down' | 'up', at: number) => void} key a held space or enter key
 * @property {(at: number) => Fired | null} click a press by help software, which touches nothing: meant, so it counts at once
 * @property {(now: number) => Fired | null} advance the press complete by now, if any; call at `nextAt`
 * @property {() => number | null} nextAt device ms at which `advance` should run next, null while nothing is pressed
 * @property {(now: number) => number} fill how far the leading touch has come, 0 to 1
 * @property {(now: number) => boolean} short whether a press let go now would have been meant, and was too short
 * @property {(key: string, now: number) => void} setMeaning what a press would mean; a change kills every touch that is down
 * @property {(kind: PressKind) => void} setKind
 * @property {(on: boolean) => void} setEnabled off kills every touch that is down
 * @property {() => void} drop kills every touch: the page is hidden, or focus is gone
 */

/**
 * @param {object} [options]
 * @param {PressKind} [options.kind]
 * @param {number} [options.dead_ms] presses that begin this soon after a change of meaning do not count
 * @returns {Press}
 */
export function newPress({ kind = 'dry', dead_ms = 0 } = {}) {
  let needMs = PRESS_MS[kind];
  let keyMs = keyTime(kind);
  /** @type {Map<number | string, Touch>} */
  const touches = new Map();
  /** @type {{x: number, y: number, at: number}[]} spent contacts lately ended, for the trembling finger */
  let ended = [];
  /** @type {string | null} */
  let meaning = null;
  let deadUntil = -Infinity;
  let enabled = true;

  const killAll = () => {
    for (const t of touches.values()) t.dead = true;
  };

  const leading = () => {
    /** @type {Touch | null} */
    let first = null;
    for (const t of touches.values()) {
      if (!t.dead && (!first || t.downAt + t.ms < first.downAt + first.ms)) first = t;
    }
    return first;
  };

  /** @param {TouchEvent} e */
  const down = (e) => {
    ended = ended.filter((p) => e.at - p.at <= BOUNCE_MS);
    const trembling = ended.some((p) => Math.hypot(e.x - p.x, e.y - p.y) <= WANDER_PX);
    const dead = !enabled || !e.inside || trembling || e.at < deadUntil;
    touches.set(e.id, { id: e.id, downAt: e.at, x: e.x, y: e.y, dead, ms: needMs, keyboard: false, looked: false });
  };

  return {
    touch(e) {
      if (e.type === 'down') {
        down(e);
        return;
      }
      const t = touches.get(e.id);
      if (!t) return;
      if (e.type === 'move') {
        if (!e.inside || Math.hypot(e.x - t.x, e.y - t.y) > WANDER_PX) t.dead = true;
        return;
      }
      touches.delete(e.id);
      if (t.dead) ended.push({ x: e.type === 'up' ? e.x : t.x, y: e.type === 'up' ? e.y : t.y, at: e.at });
    },

    key(type, at) {
      if (type === 'up') {
        touches.delete('key');
      } else if (!touches.has('key')) {
        const dead = !enabled || at < deadUntil;
        touches.set('key', { id: 'key', downAt: at, x: 0, y: 0, dead, ms: keyMs, keyboard: true, looked: true });
      }
    },

    click(at) {
      if (!enabled || at < deadUntil) return null;
      killAll();
      return { id: 'key', down_at: at, at, keyboard: true };
    },

    advance(now) {
      const t = leading();
      if (!t || now < t.downAt + t.ms) return null;
      if (!t.looked && now > t.downAt + t.ms + LATE_MS) {
        t.looked = true;
        return null;
      }
      killAll();
      return { id: t.id, down_at: t.downAt, at: now, keyboard: t.keyboard };
    },

    nextAt() {
      const t = leading();
      return t ? t.downAt + t.ms : null;
    },

    fill(now) {
      const t = leading();
      if (!t) return 0;
      if (t.ms === 0) return 1;
      return Math.min(1, Math.max(0, (now - t.downAt) / t.ms));
    },

    short(now) {
      const t = leading();
      return t !== null && t.ms > 0 && now - t.downAt >= BRUSH_MS && now - t.downAt < t.ms;
    },

    setMeaning(key, now) {
      if (key === meaning) return;
      const first = meaning === null;
      meaning = key;
      killAll();
      if (!first) deadUntil = now + dead_ms;
    },

    setKind(next) {
      if (PRESS_MS[next] === needMs) return;
      needMs = PRESS_MS[next];
      keyMs = keyTime(next);
      killAll();
    },

    setEnabled(on) {
      if (on === enabled) return;
      enabled = on;
      killAll();
    },

    drop: killAll,
  };
}

/**
 * A key cannot be hit by a drop, so it counts at once; only an alarm is
 * lifted by holding it as long as a finger must.
 * @param {PressKind} kind
 */
function keyTime(kind) {
  return kind === 'alarm' ? PRESS_MS.alarm : 0;
}

/**
 * @typedef {object} Twice
 * @property {(fired: Fired) => boolean} add a press that fired; true when it completes a pair
 * @property {(id: number | string, at: number) => void} ended a touch ended, in whatever way
 * @property {(now: number) => boolean} waiting true while a second press could still complete a pair
 * @property {() => void} reset
 */

/**
 * The diver's surface: two presses, one after the other, the second complete
 * within 1.5 s of the first coming down. While the first finger still lies
 * there, or came back before the second, nothing pairs with it.
 * @returns {Twice}
 */
export function newTwice() {
  /** @type {Fired | null} */
  let first = null;
  /** @type {number | null} */
  let liftedAt = null;
  return {
    add(fired) {
      const pair =
        first !== null &&
        liftedAt !== null &&
        fired.down_at >= liftedAt &&
        fired.at - first.down_at <= TWICE_MS;
      first = pair ? null : fired;
      liftedAt = null;
      return pair;
    },
    ended(id, at) {
      if (first !== null && liftedAt === null && id === first.id) liftedAt = at;
    },
    waiting: (now) => first !== null && now - first.down_at <= TWICE_MS,
    reset() {
      first = null;
      liftedAt = null;
    },
  };
}
