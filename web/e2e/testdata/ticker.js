// 4 Hz from a worker, whose timers are not throttled with the page's.
setInterval(() => postMessage(0), 250);
