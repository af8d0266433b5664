/**
 * Joins an element's pointers and keys to the recogniser in `recognise.js`.
 * Times are taken from the events themselves, in the page's monotonic clock,
 * and handed out as whole ms of shared time.
 */

import { newPress, newTwice } from './recognise.js';

/** @typedef {import('./recognise.js').PressKind} PressKind */

/**
 * @typedef {object} Pressed
 * @property {number} down_at shared ms at which the finger came down (the `at` of an `asked` or `answered`)
 * @property {number} at shared ms at which the press counted
 * @property {boolean} keyboard
 */

/**
 * @typedef {object} PressOptions
 * @property {PressKind} [kind] default `dry`
 * @property {() => number} now shared ms (`app.now`)
 * @property {(pressed: Pressed) => void} onFire
 * @property {(part: number) => void} [onFill] 0 to 1 while a press is growing, 0 when it is dropped
 * @property {number} [dead_ms] presses beginning this soon after a change of meaning do not count
 */

/**
 * @typedef {object} Attached
 * @property {(key: string) => void} setMeaning call on every update; a touch that is down when the key changes is dead
 * @property {(kind: PressKind) => void} setKind
 * @property {(on: boolean) => void} setEnabled
 * @property {() => void} detach
 */

/** A click made by help software (no pointer, no key) comes at least this long after the last of either (ms, own). */
const CLICK_ALONE_MS = 800;
/** An event's own time stamp older than this is on another scale and not used (ms). */
const STAMP_OLD_MS = 2000;

/**
 * When any finger or key was last felt anywhere on the page (device ms). A press may close what it was made on; the
 * browser then sends the click that follows a lifting to whatever lies there now, and that is nobody's press (H23).
 */
let lastInput = -Infinity;
let watching = false;

function watchInput() {
  if (watching) return;
  watching = true;
  const note = () => {
    lastInput = performance.now();
  };
  for (const type of ['pointerdown', 'pointerup', 'pointercancel', 'keydown', 'keyup']) {
    window.addEventListener(type, note, { capture: true, passive: true });
  }
}

/** How long an element says that a press on it was too short (ms, own). */
const SHORT_MS = 1500;

/**
 * Says on the element that a press was let go too soon: a hurried buddy must not take it for recorded.
 * @param {HTMLElement | SVGElement} element
 * @returns {() => void}
 */
function shortCue(element) {
  let timer = 0;
  return () => {
    element.setAttribute('data-short', '');
    clearTimeout(timer);
    timer = window.setTimeout(() => element.removeAttribute('data-short'), SHORT_MS);
  };
}

/**
 * @param {HTMLElement | SVGElement} element
 * @param {object} options
 * @param {PressKind} options.kind
 * @param {(fired: import('./recognise.js').Fired) => void} options.onFire device ms
 * @param {(part: number) => void} [options.onFill]
 * @param {(id: number | string, at: number) => void} [options.onEnd]
 * @param {number} [options.dead_ms]
 * @returns {Attached & {drop: () => void}}
 */
function attach(element, { kind, onFire, onFill, onEnd, dead_ms }) {
  watchInput();
  const press = newPress({ kind, dead_ms });
  let timer = 0;
  let frame = 0;
  let shownFill = 0;
  const sayShort = shortCue(element);

  const look = () => {
    timer = 0;
    const fired = press.advance(performance.now());
    if (fired) {
      showFill(1);
      element.removeAttribute('data-short');
      onFire(fired);
    }
    plan();
  };

  /** @param {number} part */
  const showFill = (part) => {
    if (!onFill || part === shownFill) return;
    shownFill = part;
    onFill(part);
  };

  const draw = () => {
    frame = 0;
    const part = press.fill(performance.now());
    showFill(part);
    if (part > 0 && press.nextAt() !== null) frame = requestAnimationFrame(draw);
  };

  const plan = () => {
    clearTimeout(timer);
    timer = 0;
    const next = press.nextAt();
    if (next === null) {
      if (!frame) frame = onFill ? requestAnimationFrame(draw) : 0;
      return;
    }
    timer = window.setTimeout(look, Math.max(0, Math.ceil(next - performance.now())));
    if (onFill && !frame) frame = requestAnimationFrame(draw);
  };

  /** @param {PointerEvent} e */
  const inside = (e) => {
    const hit = document.elementFromPoint(e.clientX, e.clientY);
    return hit !== null && element.contains(hit);
  };

  /**
   * @param {PointerEvent} e
   * @param {'down' | 'move' | 'up' | 'cancel'} type
   */
  const feed = (e, type) => {
    if (!e.isTrusted) return;
    const now = performance.now();
    const at = now - e.timeStamp >= 0 && now - e.timeStamp < STAMP_OLD_MS ? e.timeStamp : now;
    if (onFill && type === 'up' && press.short(at)) sayShort();
    press.touch({ type, id: e.pointerId, x: e.clientX, y: e.clientY, inside: inside(e), at });
    if (type === 'up' || type === 'cancel') onEnd?.(e.pointerId, at);
    plan();
  };

  /** @param {PointerEvent} e */
  const onDown = (e) => {
    if (e.pointerType === 'mouse' && e.button !== 0) return;
    try {
      element.setPointerCapture(e.pointerId);
    } catch {
      // The pointer has already gone; its cancel follows.
    }
    feed(e, 'down');
  };
  /** @param {PointerEvent} e */
  const onMove = (e) => feed(e, 'move');
  /** @param {PointerEvent} e */
  const onUp = (e) => feed(e, 'up');
  /** @param {PointerEvent} e */
  const onCancel = (e) => feed(e, 'cancel');

  /** @param {Event} ev */
  const onKeyDown = (ev) => {
    const e = /** @type {KeyboardEvent} */ (ev);
    if (e.key !== ' ' && e.key !== 'Enter') return;
    e.preventDefault();
    if (!e.isTrusted || e.repeat) return;
    press.key('down', performance.now());
    look();
  };
  /** @param {Event} ev */
  const onKeyUp = (ev) => {
    const e = /** @type {KeyboardEvent} */ (ev);
    if (e.key !== ' ' && e.key !== 'Enter') return;
    e.preventDefault();
    const at = performance.now();
    press.key('up', at);
    onEnd?.('key', at);
    plan();
  };
  // Help software clicks without touching; a finger's own click comes right after its pointer events.
  /** @param {Event} e */
  const onClick = (e) => {
    e.preventDefault();
    const at = performance.now();
    if (!e.isTrusted || at - lastInput < CLICK_ALONE_MS) return;
    const fired = press.click(at);
    if (fired) onFire(fired);
    onEnd?.('key', at);
  };

  // Focus goes elsewhere when a drop lands on another button: that must not end a finger's press here.
  const onBlur = () => {
    press.key('up', performance.now());
    plan();
  };
  const drop = () => {
    press.drop();
    plan();
  };
  const onHidden = () => {
    if (document.visibilityState !== 'visible') drop();
  };
  /** @param {Event} e */
  const prevent = (e) => e.preventDefault();

  element.style.touchAction = 'none';
  element.style.userSelect = 'none';
  element.style.setProperty('-webkit-user-select', 'none');
  element.style.setProperty('-webkit-touch-callout', 'none');
  if (!(element instanceof HTMLButtonElement)) {
    if (!element.hasAttribute('tabindex')) element.setAttribute('tabindex', '0');
    if (!element.hasAttribute('role')) element.setAttribute('role', 'button');
  }

  /** @type {[EventTarget, string, any][]} */
  const listeners = [
    [element, 'pointerdown', onDown],
    [element, 'pointermove', onMove],
    [element, 'pointerup', onUp],
    [element, 'pointercancel', onCancel],
    [element, 'lostpointercapture', onCancel],
    [element, 'keydown', onKeyDown],
    [element, 'keyup', onKeyUp],
    [element, 'blur', onBlur],
    [element, 'click', onClick],
    [element, 'contextmenu', prevent],
    [element, 'dragstart', prevent],
    [document, 'visibilitychange', onHidden],
    [window, 'blur', drop],
    [window, 'pagehide', drop],
  ];
  for (const [target, type, fn] of listeners) target.addEventListener(type, fn);

  return {
    setMeaning(key) {
      press.setMeaning(key, performance.now());
      plan();
    },
    setKind(next) {
      press.setKind(next);
      plan();
    },
    setEnabled(on) {
      press.setEnabled(on);
      plan();
    },
    drop,
    detach() {
      for (const [target, type, fn] of listeners) target.removeEventListener(type, fn);
      clearTimeout(timer);
      cancelAnimationFrame(frame);
    },
  };
}

/**
 * Device time of a press as shared time, by the distance from now in both.
 * @param {import('./recognise.js').Fired} fired
 * @param {() => number} now shared ms
 * @param {number} downAt device ms
 * @returns {Pressed}
 */
function shared(fired, now, downAt) {
  const at = Math.floor(now());
  const held = Math.max(0, Math.round(performance.now() - downAt));
  return { down_at: at - held, at, keyboard: fired.keyboard };
}

/**
 * Makes an element a surface for deliberate presses (hazards H12, H23).
 * Space and Enter press it too, and so does a click by help software.
 * @param {HTMLElement | SVGElement} element
 * @param {PressOptions} options
 * @returns {Attached}
 */
export function attachPress(element, { kind = 'dry', now, onFire, onFill, dead_ms }) {
  return attach(element, {
    kind,
    onFill,
    dead_ms,
    onFire: (fired) => onFire(shared(fired, now, fired.down_at)),
  });
}

/**
 * Makes an element the diver's surface: two presses within 1.5 s.
 * @param {HTMLElement | SVGElement} element
 * @param {object} options
 * @param {() => number} options.now shared ms
 * @param {(pressed: Pressed) => void} options.onFire `down_at` is that of the second press
 * @param {(waiting: boolean) => void} [options.onFirst] true after a first press, false when its time is over
 * @returns {Attached}
 */
export function attachTwice(element, { now, onFire, onFirst }) {
  const twice = newTwice();
  let timer = 0;
  const surface = attach(element, {
    kind: 'dry',
    onEnd: (id, at) => twice.ended(id, at),
    onFire(fired) {
      clearTimeout(timer);
      if (twice.add(fired)) {
        onFirst?.(false);
        onFire(shared(fired, now, fired.down_at));
        return;
      }
      onFirst?.(true);
      timer = window.setTimeout(() => {
        if (!twice.waiting(performance.now())) onFirst?.(false);
      }, 1500);
    },
  });
  /** @type {string | null} */
  let meaning = null;
  return {
    setMeaning(key) {
      if (key !== meaning) {
        meaning = key;
        twice.reset();
        onFirst?.(false);
      }
      surface.setMeaning(key);
    },
    setKind: surface.setKind,
    setEnabled: surface.setEnabled,
    detach() {
      clearTimeout(timer);
      surface.detach();
    },
  };
}
