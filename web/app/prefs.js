/** What is set on this device, and whether it is night there now. */

/**
 * @param {Pick<import('./device.js').DeviceStore, 'prefs' | 'setPrefs'>} devices
 * @param {() => void} changed called when something is set
 */
export function newPrefs(devices, changed) {
  let prefs = devices.prefs();
  const night = () =>
    prefs.night === 'auto' ? matchMedia('(prefers-color-scheme: dark)').matches : prefs.night === 'night';
  return {
    /** All of them, with `night` as it is now. */
    now: () => ({ ...prefs, night: night() }),
    /**
     * @param {string} name `night` is whether it is night now, `night_mode` what was set for it
     * @returns {any}
     */
    get(name) {
      if (name === 'night') return night();
      if (name === 'night_mode') return prefs.night;
      return /** @type {any} */ (prefs)[name];
    },
    /** @param {string} name @param {any} value of `night` a boolean, or `auto` */
    set(name, value) {
      if (name === 'night' && typeof value === 'boolean') value = value ? 'night' : 'day';
      prefs = { ...prefs, [name]: value };
      devices.setPrefs(prefs);
      changed();
    },
  };
}
