// The few parts of Node that the tests use, so that they are type-checked without installing anything.

declare module 'node:test' {
  interface TestContext {
    diagnostic(message: string): void;
    after(fn: () => unknown): void;
    test(name: string, fn?: (t: TestContext) => unknown): Promise<void>;
  }
  type Run = (t: TestContext) => unknown;
  interface Test {
    (name: string, fn?: Run): Promise<void>;
    (name: string, options: { timeout?: number; skip?: boolean | string }, fn?: Run): Promise<void>;
  }
  export const test: Test;
  export const it: Test;
  export default test;
  export function describe(name: string, fn: () => void): void;
  export function before(fn: () => unknown): void;
  export function after(fn: () => unknown): void;
  export function beforeEach(fn: () => unknown): void;
  export function afterEach(fn: () => unknown): void;
}

declare module 'node:assert/strict' {
  interface Assert {
    (value: unknown, message?: string): asserts value;
    ok(value: unknown, message?: string): asserts value;
    equal<T>(actual: unknown, expected: T, message?: string): asserts actual is T;
    notEqual(actual: unknown, expected: unknown, message?: string): void;
    deepEqual<T>(actual: unknown, expected: T, message?: string): asserts actual is T;
    notDeepEqual(actual: unknown, expected: unknown, message?: string): void;
    match(text: string, pattern: RegExp, message?: string): void;
    doesNotMatch(text: string, pattern: RegExp, message?: string): void;
    throws(fn: () => unknown, expected?: unknown, message?: string): void;
    doesNotThrow(fn: () => unknown, message?: string): void;
    rejects(fn: Promise<unknown> | (() => Promise<unknown>), expected?: unknown, message?: string): Promise<void>;
    fail(message?: string): never;
  }
  const assert: Assert;
  export default assert;
}

declare module 'node:fs' {
  export function readFileSync(path: string | URL | number, encoding: 'utf8'): string;
  export function readFileSync(path: string | URL): Uint8Array;
  export function readdirSync(path: string | URL, options?: { recursive?: boolean }): string[];
  export function existsSync(path: string | URL): boolean;
}

declare module 'node:path' {
  export function join(...parts: string[]): string;
  export function dirname(path: string): string;
  export function relative(from: string, to: string): string;
}

declare module 'node:url' {
  export function fileURLToPath(url: string | URL): string;
  export function pathToFileURL(path: string): URL;
}

declare module 'node:readline' {
  export function createInterface(options: { input: unknown }): AsyncIterable<string>;
}

declare module 'node:util' {
  export function parseArgs<O extends Record<string, { type: 'string' | 'boolean'; short?: string }>>(config: {
    args?: string[];
    options: O;
  }): { values: { [K in keyof O]?: O[K]['type'] extends 'string' ? string : boolean } };
}

declare module 'node:child_process' {
  export function spawnSync(
    command: string,
    args: string[],
    options: { input?: string | Uint8Array; encoding: 'utf8'; cwd?: string },
  ): { status: number | null; stdout: string; stderr: string };
}

declare module 'node:crypto' {
  interface Hash {
    update(data: Uint8Array): Hash;
    digest(encoding: 'hex'): string;
  }
  export function createHash(name: string): Hash;
}

declare const Buffer: {
  concat(chunks: Uint8Array[]): Uint8Array;
  from(bytes: Uint8Array): { toString(encoding: 'hex'): string };
};

declare const process: {
  cpuUsage(since?: { user: number; system: number }): { user: number; system: number };
  argv: string[];
  execPath: string;
  exitCode: number | undefined;
  env: Record<string, string | undefined>;
  stdin: AsyncIterable<Uint8Array>;
  stdout: { write(text: string): void };
  memoryUsage(): { heapUsed: number };
};

declare module 'node:fs' {
  export function mkdtempSync(prefix: string): string;
  export function rmSync(path: string, options?: { recursive?: boolean; force?: boolean }): void;
}

declare module 'node:os' {
  export function tmpdir(): string;
}

declare module 'node:child_process' {
  export function spawnSync(
    command: string,
    args: string[],
    options: { encoding: 'utf8'; cwd?: string; env?: Record<string, string | undefined> },
  ): { status: number | null; stdout: string; stderr: string };
  interface Stream {
    on(type: 'data', fn: (chunk: any) => void): void;
  }
  export function spawn(
    command: string,
    args: string[],
    options: { stdio: string[] },
  ): { stdout: Stream; stderr: Stream; exitCode: number | null; signalCode: string | null; kill(signal: string): void };
}

declare module 'node:net' {
  interface Socket {
    on(type: 'data', fn: (chunk: Uint8Array) => void): void;
    on(type: 'error' | 'close', fn: () => void): void;
    write(chunk: Uint8Array): boolean;
    destroy(): void;
  }
  interface Server {
    listen(port: number, host: string, fn: () => void): void;
    address(): { port: number };
    close(): void;
  }
  export function createServer(fn: (socket: Socket) => void): Server;
  export function connect(port: number, host: string): Socket;
}

declare module 'node:v8' {
  export function setFlagsFromString(flags: string): void;
}

declare module 'node:vm' {
  export function runInNewContext(code: string): unknown;
}
