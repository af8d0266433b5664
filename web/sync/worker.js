/**
 * The worker's entry: owns the socket and the tick, so that neither is
 * throttled when the page is hidden.
 */

import { newHost } from './host.js';

const host = newHost((message) => postMessage(message));
addEventListener('message', (e) => host.handle(e.data));
