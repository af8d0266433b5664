/**
 * Whether the phone keeps the page itself, so that it opens without a host,
 * and whether a newer version of it waits to be taken.
 */

/** A service worker that has not answered in this time will not (ms, own). */
const ANSWER_MS = 3000;
/** The host is asked for a newer version at most this often (ms, own). */
const LOOK_MS = 60_000;

/** What a browser says that does not keep pages, most often because the address is plain http. */
export const WORDS_NONE = 'this browser does not keep the page: without the host it does not open';
export const WORDS_FAILED = 'the page could not be kept on this phone: without the host it does not open';

/**
 * @typedef {object} KeptState
 * @property {'none' | 'keeping' | 'kept' | 'failed'} state `none` where the browser cannot
 * @property {boolean} newer another version is on the phone, and can be taken
 */

/**
 * @typedef {object} Kept
 * @property {() => KeptState} state
 * @property {() => void} look asks the host for a newer version
 * @property {() => Promise<void>} renew asks the host for its version now, and waits until it is on the phone
 * @property {() => Promise<boolean>} take has the newer version opened from now on; false where there is none
 */

/**
 * The version in the address of one of the page's files, `''` where it has none.
 * @param {string} url
 */
export function versionOf(url) {
  return /\/v\/([0-9a-f]+)\//.exec(url)?.[1] ?? '';
}

/**
 * @param {object} env
 * @param {ServiceWorkerContainer | undefined} env.container `navigator.serviceWorker`
 * @param {string} env.version the version this page runs
 * @param {() => void} env.changed
 * @returns {Kept}
 */
export function keepPage({ container, version, changed }) {
  /** @type {KeptState} */
  let now = { state: container ? 'keeping' : 'none', newer: false };
  /** @type {ServiceWorkerRegistration | null} */
  let registration = null;
  let lookedAt = performance.now();

  /** @param {Partial<KeptState>} next */
  const set = (next) => {
    now = { ...now, ...next };
    changed();
  };

  /** Asks which version the newest worker keeps. */
  const compare = async () => {
    const worker = registration?.waiting ?? registration?.active;
    if (!worker) return;
    const kept = await ask(worker, 'which');
    if (kept !== null) set({ state: 'kept', newer: kept !== version });
  };

  /** @param {ServiceWorker | null} worker one that is being installed */
  const follow = (worker) => {
    worker?.addEventListener('statechange', () => {
      if (worker.state === 'installed' || worker.state === 'activated') compare();
      if (worker.state === 'redundant' && now.state === 'keeping') set({ state: 'failed' });
    });
  };

  const begin = async (/** @type {ServiceWorkerContainer} */ box) => {
    try {
      registration = await box.register('/sw.js', { scope: '/', updateViaCache: 'none' });
    } catch {
      // Without a host there is nothing to register, but what was kept before is still there.
      registration = (await box.getRegistration('/').catch(() => undefined)) ?? null;
    }
    if (!registration) {
      set({ state: 'failed' });
      return;
    }
    registration.addEventListener('updatefound', () => follow(registration?.installing ?? null));
    follow(registration.installing);
    await compare();
  };
  if (container) begin(container);

  return {
    state: () => now,
    look() {
      if (performance.now() - lookedAt < LOOK_MS) return;
      lookedAt = performance.now();
      registration?.update().catch(() => {
        // No host: the next visit asks again.
      });
    },
    async renew() {
      try {
        await registration?.update();
      } catch {
        return; // No host, or none that keeps pages.
      }
      const coming = registration?.installing;
      if (coming) {
        await new Promise((over) => {
          coming.addEventListener('statechange', over);
          if (coming.state !== 'installing') over(undefined);
        });
      }
      await compare();
    },
    async take() {
      const worker = registration?.waiting ?? registration?.active;
      return Boolean(worker && now.newer && (await ask(worker, 'take')) !== null);
    },
  };
}

/**
 * @param {ServiceWorker} worker
 * @param {'which' | 'take'} what
 * @returns {Promise<string | null>} its version, null without an answer
 */
function ask(worker, what) {
  return new Promise((resolve) => {
    const { port1, port2 } = new MessageChannel();
    const late = setTimeout(() => resolve(null), ANSWER_MS);
    port1.onmessage = (e) => {
      clearTimeout(late);
      port1.close();
      resolve(typeof e.data?.version === 'string' ? e.data.version : null);
    };
    worker.postMessage({ do: what }, [port2]);
  });
}
