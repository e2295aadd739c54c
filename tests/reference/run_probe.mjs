// Runs the probe compiled to WebAssembly: questions from standard input, answers to standard
// output. The module may import nothing: no clock, no randomness, no files, no network.
import fs from 'node:fs';

const module = await WebAssembly.compile(fs.readFileSync(process.argv[2]));
const imports = WebAssembly.Module.imports(module);
if (imports.length > 0) {
  throw new Error('the core asks its host for ' + imports.map((i) => `${i.module}.${i.name}`).join(', '));
}
const { exports } = await WebAssembly.instantiate(module, {});
const questions = fs.readFileSync(0);
const at = Buffer.from(exports.memory.buffer).indexOf('bolebook mailbox') + 16;
if (at < 16) throw new Error('no mailbox in the memory of the module');
if (questions.length > 1 << 20) throw new Error('more questions than the mailbox holds');
new DataView(exports.memory.buffer).setUint32(at, questions.length, true);
new Uint8Array(exports.memory.buffer).set(questions, at + 12);
exports.main(0, 0);
const view = new DataView(exports.memory.buffer);
const answers = Buffer.from(exports.memory.buffer, view.getUint32(at + 4, true), view.getUint32(at + 8, true));
process.stdout.write(answers);
