// As much of a browser's page as the views of a hold need to be mounted in Node, with a finger and a clock the test moves.
import { page, PLAN } from './model_helper.js';

class FakeNode {
  /** @type {any[]} */
  childNodes = [];
  /** @type {any} */
  parentNode = null;
  get firstChild() {
    return this.childNodes[0] ?? null;
  }
  /** @param {any} child */
  appendChild(child) {
    child.remove();
    child.parentNode = this;
    this.childNodes.push(child);
  }
  /** @param {any[]} children */
  append(...children) {
    for (const child of children) this.appendChild(child);
  }
  /** @param {any} child */
  removeChild(child) {
    this.childNodes.splice(this.childNodes.indexOf(child), 1);
    child.parentNode = null;
  }
  remove() {
    this.parentNode?.removeChild(this);
  }
  /** @param {any} other @returns {boolean} */
  contains(other) {
    return other === this || this.childNodes.some((c) => c.contains(other));
  }
  /** @returns {string} */
  get textContent() {
    return this.childNodes.map((c) => c.textContent).join('');
  }
  set textContent(text) {
    for (const child of [...this.childNodes]) child.remove();
    if (text) this.appendChild(new FakeText(text));
  }
}

class FakeText extends FakeNode {
  /** @param {string} text */
  constructor(text) {
    super();
    this.text = text;
  }
  get textContent() {
    return this.text;
  }
}

class FakeElement extends FakeNode {
  hidden = false;
  clientWidth = 390;
  clientHeight = 844;
  dataset = {};
  /** @type {Map<string, string>} */
  attributes = new Map();
  /** @type {Map<string, ((e: any) => void)[]>} */
  listeners = new Map();
  style = (() => {
    /** @type {Map<string, string>} */
    const values = new Map();
    return {
      getPropertyValue: (/** @type {string} */ k) => values.get(k) ?? '',
      setProperty: (/** @type {string} */ k, /** @type {string} */ v) => values.set(k, v),
      removeProperty: (/** @type {string} */ k) => values.delete(k),
    };
  })();
  classList = {
    contains: (/** @type {string} */ name) => this.#classes().includes(name),
    toggle: (/** @type {string} */ name) => {
      const has = this.#classes();
      this.setAttribute('class', (has.includes(name) ? has.filter((c) => c !== name) : [...has, name]).join(' '));
    },
  };
  #classes() {
    return (this.getAttribute('class') ?? '').split(' ').filter(Boolean);
  }
  get children() {
    return this.childNodes.filter((c) => c instanceof FakeElement);
  }
  /** @param {string} k @param {string} v */
  setAttribute(k, v) {
    if (k === 'hidden') this.hidden = true;
    this.attributes.set(k, String(v));
  }
  /** @param {string} k */
  getAttribute(k) {
    return this.attributes.get(k) ?? null;
  }
  /** @param {string} k */
  hasAttribute(k) {
    return this.attributes.has(k);
  }
  /** @param {string} k */
  removeAttribute(k) {
    this.attributes.delete(k);
  }
  /** @param {string} type @param {(e: any) => void} fn */
  addEventListener(type, fn) {
    this.listeners.set(type, [...(this.listeners.get(type) ?? []), fn]);
  }
  removeEventListener() {}
  setPointerCapture() {}
  cloneNode() {
    return new FakeElement();
  }
  getBoundingClientRect() {
    return { width: 0 };
  }
}

class FakeButton extends FakeElement {}

/** @type {{at: number, fn: () => void}[]} */
let timers = [];
let deviceMs = 5000;
/** @type {any} what lies under the finger */
let under = null;
const clearReal = globalThis.clearTimeout;

Object.assign(globalThis, {
  Node: FakeNode,
  HTMLButtonElement: FakeButton,
  ResizeObserver: class {
    observe() {}
    disconnect() {}
  },
  requestAnimationFrame: () => 1,
  cancelAnimationFrame() {},
  matchMedia: () => ({ matches: false }),
  clearTimeout: (/** @type {any} */ timer) => {
    if (timers.includes(timer)) timers = timers.filter((t) => t !== timer);
    else clearReal(timer);
  },
  window: {
    innerWidth: 390,
    addEventListener() {},
    removeEventListener() {},
    setTimeout(/** @type {() => void} */ fn, /** @type {number} */ ms) {
      const timer = { at: deviceMs + ms, fn };
      timers.push(timer);
      return timer;
    },
  },
  document: {
    visibilityState: 'visible',
    body: new FakeElement(),
    addEventListener() {},
    removeEventListener() {},
    createElement: (/** @type {string} */ tag) => (tag === 'button' ? new FakeButton() : new FakeElement()),
    createElementNS: () => new FakeElement(),
    createTextNode: (/** @type {string} */ text) => new FakeText(text),
    elementFromPoint: () => under,
  },
});
performance.now = () => deviceMs;

/**
 * A buddy's phone in a hold.
 * @param {'dry' | 'pool'} setting
 */
export async function phoneInAHold(setting) {
  const { model, clock, pass } = await page();
  const root = new FakeElement();
  /** @type {any} */
  let view = null;
  let recorded = 0;
  /** @param {(...given: any[]) => Promise<any>} work */
  const counted = (work) => (/** @type {any[]} */ ...given) => {
    recorded += 1;
    return work(...given);
  };
  /** @type {any} */
  const app = {
    now: clock.now,
    record: counted(model.record),
    takeBack: counted(model.takeBack),
    frame: () => ({
      now: clock.now(), hold: model.currentHold(), status: model.status(), me: { device: model.identity().device, role: 'buddy', name: 'Odo' },
      link: { state: 'live', for_ms: 0 }, sound: { state: 'proven', words: '' }, take_back: model.takeBackList(), present: [],
    }),
    lastHoldOf: () => null,
    place: () => null,
    quiet() {},
    series: () => null,
    prefs: { get: () => undefined, set() {} },
    sound: { arm() {} },
  };
  /** Time passes; the page draws four times a second and whenever something was due. @param {number} ms */
  const wait = async (ms) => {
    for (const end = deviceMs + ms; deviceMs < end; ) {
      const step = Math.min(end, deviceMs + 250, ...timers.map((t) => t.at)) - deviceMs;
      await pass(step);
      deviceMs += step;
      const due = timers.filter((t) => t.at <= deviceMs);
      timers = timers.filter((t) => t.at > deviceMs);
      for (const { fn } of due) fn();
      // What a press records is on the disk before it is shown.
      await new Promise((next) => setTimeout(next, 0));
      view?.update(app.frame());
    }
  };
  await model.newHold({ ...PLAN, setting });
  await model.record('start', null);

  /** @param {any} node @param {boolean} shown @returns {any[]} */
  const surfacesIn = (node, shown) => {
    if (!(node instanceof FakeElement) || (shown && node.hidden)) return [];
    return [...(node.listeners.has('pointerdown') ? [node] : []), ...node.children.flatMap((c) => surfacesIn(c, shown))];
  };
  /** @param {any} node */
  const words = (node) => node.getAttribute('aria-label') ?? node.textContent;
  return {
    model,
    wait,
    /** Takes the view of this name. @param {{mount: (root: any, app: any) => any}} module */
    shows(module) {
      view?.unmount();
      view = module.mount(root, app);
      view.update(app.frame());
    },
    /** All that can be pressed now. */
    surfaces: () => surfacesIn(root, true),
    words,
    /** How often anything was recorded or taken back. */
    recorded: () => recorded,
    kinds: () => model.currentHold()?.events.map((e) => e.kind) ?? [],
    /** The surface whose words begin so. @param {string} begins */
    surface(begins) {
      const found = surfacesIn(root, true).find((n) => words(n).startsWith(begins));
      if (!found) throw new Error(`no ${begins} among: ${surfacesIn(root, true).map(words).join('; ')}`);
      return found;
    },
    /** A finger on a surface for so long. @param {any} node @param {number} ms */
    async touch(node, ms) {
      under = node;
      const id = deviceMs;
      const down = { isTrusted: true, pointerId: id, pointerType: 'touch', button: 0, clientX: 10, clientY: 10 };
      for (const fn of node.listeners.get('pointerdown')) fn({ ...down, timeStamp: deviceMs });
      await wait(ms);
      for (const fn of node.listeners.get('pointerup')) fn({ ...down, timeStamp: deviceMs });
    },
  };
}
