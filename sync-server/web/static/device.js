// The device as the app sees it: a database whose transactions are strict, a key that cannot be
// read, and the lock that lets one window write.

const NAME = "bolebook";
const VERSION = 1;
const LOCK = "bolebook-writer";

const promised = (request) =>
  new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });

const hex = (bytes) => Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");

const failed = (name, message) => Object.assign(new Error(message), { name });

function database() {
  const request = indexedDB.open(NAME, VERSION);
  request.onupgradeneeded = () => {
    const db = request.result;
    db.createObjectStore("lines", { keyPath: ["book", "position"] });
    db.createObjectStore("settings");
    db.createObjectStore("device");
    db.createObjectStore("photos");
  };
  return promised(request);
}

// Ed25519 where the browser has it, else P-256. Neither key can be read out of the browser.
async function newKey() {
  for (const [alg, name] of [
    ["ed25519", { name: "Ed25519" }],
    ["p256", { name: "ECDSA", namedCurve: "P-256" }],
  ]) {
    try {
      const pair = await crypto.subtle.generateKey(name, false, ["sign", "verify"]);
      const raw = await crypto.subtle.exportKey("raw", pair.publicKey);
      return { alg, pair, key: hex(new Uint8Array(raw)) };
    } catch (error) {
      if (alg === "p256") throw error;
    }
  }
}

// What the app reads first, in a transaction of its own or of another purpose.
async function settingsIn(tx) {
  const settings = tx.objectStore("settings");
  const [lines, names, values] = await Promise.all([
    promised(tx.objectStore("lines").count()),
    promised(settings.getAllKeys()),
    promised(settings.getAll()),
  ]);
  const ready = values[names.indexOf("ready")];
  return { lines, ready, settings: names.map((name, i) => [name, values[i]]) };
}

// Digest and length of each photo.
async function photosIn(tx) {
  const store = tx.objectStore("photos");
  const [names, blobs] = await Promise.all([promised(store.getAllKeys()), promised(store.getAll())]);
  return names.map((name, i) => [name, blobs[i].size]);
}

export class Device {
  constructor() {
    this.db = null;
    // The messages of each language, by its tag.
    this.texts = {};
    this.writer = 0;
    this.lost = null;
    this.release = null;
    this.kept = null;
    this.begun = {};
    this.counted = null;
  }

  async #open() {
    if (!globalThis.isSecureContext || !crypto.subtle) {
      throw failed("Insecure", "The app needs a secure address (https).");
    }
    this.db ??= await database();
    this.db.onversionchange = () => this.db.close();
  }

  messages(language) {
    return this.texts[language] ?? "";
  }

  // Opens the device and takes the right to write: at once when no other window has it, else only when
  // asked to. Resolves to whether this window writes now; `counted` says when that is on the disk, before
  // which nothing is to be shown that could be tapped.
  async take(steal) {
    const opening = this.#open();
    opening.catch(() => {});
    const got = navigator.locks ? await this.#lock(steal) : true;
    const failing = (error) => {
      this.release?.();
      throw error;
    };
    await opening.catch(failing);
    if (got) {
      this.counted = this.#count().catch(failing);
      // Said where it is waited for.
      this.counted.catch(() => {});
    }
    return got;
  }

  #lock(steal) {
    return new Promise((resolve, reject) => {
      navigator.locks
        .request(LOCK, steal ? { steal: true } : { ifAvailable: true }, (lock) => {
          resolve(lock !== null);
          // Held until the window goes, or another one takes over.
          return lock === null ? null : new Promise((release) => (this.release = release));
        })
        .catch(() => this.lost?.());
      setTimeout(() => reject(failed("Lock", "The browser does not answer about its lock.")), 10000);
    });
  }

  // The number that each transaction checks: a window that lost the lock writes nothing more. What the
  // app asks for first is read in the same transaction, while its program is made ready: whatever
  // another window wrote was before it, and none writes after it.
  async #count() {
    const stores = ["device", "lines", "settings", "photos"];
    const tx = this.db.transaction(stores, "readwrite", { durability: "strict" });
    const ended = done(tx);
    this.begun = { settings: settingsIn(tx), photos: photosIn(tx) };
    // A failure is said where they are asked for, or by the transaction.
    for (const begun of Object.values(this.begun)) begun.catch(() => {});
    const store = tx.objectStore("device");
    const [last, kept] = await Promise.all([promised(store.get("writer")), promised(store.get("key"))]);
    this.kept = kept ?? null;
    this.writer = (last ?? 0) + 1;
    store.put(this.writer, "writer");
    await ended;
  }

  // What was begun to be read is handed over once; after that it is read anew.
  #handed(name) {
    const begun = this.begun[name];
    delete this.begun[name];
    return begun;
  }

  random(count) {
    return crypto.getRandomValues(new Uint8Array(count));
  }

  async #pair() {
    const store = () => this.db.transaction(["device"], "readonly").objectStore("device");
    return (this.kept ??= (await promised(store().get("key"))) ?? null);
  }

  async key() {
    let kept = await this.#pair();
    if (!kept) {
      kept = await newKey();
      const tx = this.db.transaction(["device"], "readwrite", { durability: "strict" });
      tx.objectStore("device").put(kept, "key");
      await done(tx);
      this.kept = kept;
    }
    return { alg: kept.alg, key: kept.key };
  }

  async sign(message) {
    // Copied: the bytes lie in memory that may move while the browser signs.
    const bytes = message.slice();
    const kept = await this.#pair();
    if (!kept) throw failed("NoKey", "This device has no key: join again.");
    const how = kept.alg === "p256" ? { name: "ECDSA", hash: "SHA-256" } : { name: "Ed25519" };
    return hex(new Uint8Array(await crypto.subtle.sign(how, kept.pair.privateKey, bytes)));
  }

  settings() {
    return this.#handed("settings") ?? settingsIn(this.db.transaction(["lines", "settings"], "readonly"));
  }

  async lines() {
    const lines = await promised(this.db.transaction(["lines"], "readonly").objectStore("lines").getAll());
    performance.mark("bolebook-lines");
    return lines.map((row) => [row.book, row.text]);
  }

  // Lets whatever else there is have its turn: taps, drawing, and what the disk answers to a tap.
  pause() {
    const background = globalThis.scheduler?.postTask?.(() => {}, { priority: "background" });
    return background ?? new Promise((resolve) => setTimeout(resolve));
  }

  // All of it, or nothing; resolves when the browser says it is on the disk.
  async store(puts) {
    const tx = this.db.transaction(["lines", "settings", "device"], "readwrite", { durability: "strict" });
    const number = await promised(tx.objectStore("device").get("writer"));
    if (number !== this.writer) {
      tx.abort();
      throw failed("OtherWriter", "Another window writes now.");
    }
    const [lines, settings] = [tx.objectStore("lines"), tx.objectStore("settings")];
    for (const [kind, name, a, b] of puts) {
      // `add` refuses a position that is taken: what was stored is never written over.
      if (kind === "line") lines.add({ book: name, position: a, text: b });
      else settings.put(a, name);
    }
    await done(tx);
  }

  // Kept under its digest until a server has it.
  async keepPhoto(blob) {
    const digest = hex(new Uint8Array(await crypto.subtle.digest("SHA-256", await blob.arrayBuffer())));
    const tx = this.db.transaction(["photos"], "readwrite", { durability: "strict" });
    tx.objectStore("photos").put(blob, digest);
    await done(tx);
    return digest;
  }

  photos() {
    return this.#handed("photos") ?? photosIn(this.db.transaction(["photos"], "readonly"));
  }

  // A request of a resumable upload; `part` is photo, begin and end of the bytes to go along.
  async upload(method, url, headers, part) {
    const sent = new Headers(headers);
    let body;
    if (part.length > 0) {
      const [photo, from, to] = part;
      try {
        const blob = await promised(
          this.db.transaction(["photos"], "readonly").objectStore("photos").get(photo),
        );
        body = await blob.slice(from, to).arrayBuffer();
      } catch (error) {
        throw failed("Storage", error.message ?? String(error));
      }
      const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", body));
      sent.set("upload-checksum", `sha256 ${btoa(String.fromCharCode(...digest))}`);
    }
    const answer = await asked(url, { method, headers: sent, body }, body ? 90000 : 30000);
    const offset = answer.headers.get("upload-offset");
    return {
      status: answer.status,
      offset: offset === null ? undefined : Number(offset),
      location: answer.headers.get("location") ?? "",
    };
  }

  async dropPhoto(digest) {
    const tx = this.db.transaction(["photos"], "readwrite", { durability: "strict" });
    tx.objectStore("photos").delete(digest);
    await done(tx);
  }

  async ask(method, url, headers, body) {
    const sent = new Headers(headers);
    // On a weak line bytes cost more than a moment of work.
    if (sent.get("content-type") === "application/x-ndjson" && globalThis.CompressionStream) {
      const packed = new Blob([body]).stream().pipeThrough(new CompressionStream("gzip"));
      body = await new Response(packed).blob();
      sent.set("content-encoding", "gzip");
    }
    return asked(url, { method, headers: sent, body }, method === "POST" ? 150000 : 30000);
  }
}

// Requests under way. Each has a time limit and its answer is always read to the end, so that none
// keeps one of the few connections. When the line goes or comes, they are ended: what was begun on the
// other line may never be answered, and everything here can be asked again.
const underWay = new Set();
const endAll = () => underWay.forEach((control) => control.abort());
globalThis.addEventListener?.("offline", endAll);
globalThis.addEventListener?.("online", endAll);

async function asked(url, options, limit) {
  const control = new AbortController();
  const late = setTimeout(() => control.abort(), limit);
  underWay.add(control);
  try {
    const answer = await fetch(url, {
      ...options,
      cache: "no-store",
      credentials: "omit",
      signal: control.signal,
    });
    return { status: answer.status, headers: answer.headers, body: await answer.text() };
  } finally {
    clearTimeout(late);
    underWay.delete(control);
  }
}

function done(tx) {
  return new Promise((resolve, reject) => {
    tx.oncomplete = () => resolve();
    tx.onabort = () => reject(tx.error ?? failed("Aborted", "The browser gave the transaction up."));
    tx.onerror = () => {};
  });
}
