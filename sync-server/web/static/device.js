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

export class Device {
  constructor(db, texts) {
    this.db = db;
    this.texts = texts;
    this.writer = 0;
    this.lost = null;
    db.onversionchange = () => db.close();
  }

  // `texts` are the messages of each language, by its tag.
  static async open(texts) {
    if (!globalThis.isSecureContext || !crypto.subtle) {
      throw failed("Insecure", "The app needs a secure address (https).");
    }
    const [db, messages] = await Promise.all([database(), texts]);
    return new Device(db, messages);
  }

  // Begins to read what the app asks for first, while its program is made ready. Only in the window
  // that writes: nothing changes it before the app is open.
  ahead() {
    this.begun = { settings: this.#settings(), photos: this.#photos() };
    // A failure is said where they are asked for.
    for (const begun of Object.values(this.begun)) begun.catch(() => {});
  }

  #handed(name) {
    const begun = this.begun?.[name];
    if (begun) delete this.begun[name];
    return begun;
  }

  messages(language) {
    return this.texts[language] ?? "";
  }

  // Takes the right to write: at once when no other window has it, else only when asked to.
  // Resolves to whether this window writes now.
  async take(steal) {
    if (!navigator.locks) {
      await this.#count();
      return true;
    }
    const got = await new Promise((resolve, reject) => {
      navigator.locks
        .request(LOCK, steal ? { steal: true } : { ifAvailable: true }, (lock) => {
          resolve(lock !== null);
          // Held until the window goes, or another one takes over.
          return lock === null ? null : new Promise(() => {});
        })
        .catch(() => this.lost?.());
      setTimeout(() => reject(failed("Lock", "The browser does not answer about its lock.")), 10000);
    });
    if (got) await this.#count();
    return got;
  }

  // The number that each transaction checks: a window that lost the lock writes nothing more.
  async #count() {
    const tx = this.db.transaction(["device"], "readwrite", { durability: "strict" });
    const store = tx.objectStore("device");
    const last = (await promised(store.get("writer"))) ?? 0;
    this.writer = last + 1;
    store.put(this.writer, "writer");
    await done(tx);
  }

  random(count) {
    return crypto.getRandomValues(new Uint8Array(count));
  }

  async #pair() {
    const store = this.db.transaction(["device"], "readonly").objectStore("device");
    return promised(store.get("key"));
  }

  async key() {
    let kept = await this.#pair();
    if (!kept) {
      kept = await newKey();
      const tx = this.db.transaction(["device"], "readwrite", { durability: "strict" });
      tx.objectStore("device").put(kept, "key");
      await done(tx);
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
    return this.#handed("settings") ?? this.#settings();
  }

  async #settings() {
    const tx = this.db.transaction(["lines", "settings"], "readonly");
    const settings = tx.objectStore("settings");
    const [lines, names, values] = await Promise.all([
      promised(tx.objectStore("lines").count()),
      promised(settings.getAllKeys()),
      promised(settings.getAll()),
    ]);
    return { lines, ready: values[names.indexOf("ready")], settings: names.map((name, i) => [name, values[i]]) };
  }

  async lines() {
    const lines = await promised(this.db.transaction(["lines"], "readonly").objectStore("lines").getAll());
    performance.mark("bolebook-lines");
    return lines.map((row) => [row.book, row.text]);
  }

  // Lets taps and drawing have their turn.
  pause() {
    return globalThis.scheduler?.yield?.() ?? new Promise((resolve) => setTimeout(resolve));
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

  // Digest and length of each.
  photos() {
    return this.#handed("photos") ?? this.#photos();
  }

  async #photos() {
    const store = this.db.transaction(["photos"], "readonly").objectStore("photos");
    const [names, blobs] = await Promise.all([promised(store.getAllKeys()), promised(store.getAll())]);
    return names.map((name, i) => [name, blobs[i].size]);
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
