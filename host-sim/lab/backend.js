// Where answers come from: the local server, or the module inside this page. Both take the same
// text and give the same text.
lab.backend = (() => {
  const fetched = async (request) => {
    let reply;
    try {
      reply = await fetch("/compute", { method: "POST", headers: { "Content-Type": "application/json" }, body: request });
    } catch {
      throw new Error("The lab's server does not answer. Start it again with: host-sim lab");
    }
    if (reply.status === 200 || reply.status === 422) return reply.text();
    throw new Error(`The lab's server refuses: ${(await reply.text()).trim()}`);
  };

  let kernel = null;
  const start = async () => {
    const bytes = Uint8Array.from(atob(lab.module), (c) => c.charCodeAt(0));
    kernel = (await WebAssembly.instantiate(bytes, {})).instance.exports;
  };
  let starting = null;
  const computed = async (request) => {
    starting ??= start();
    await starting;
    const told = new TextEncoder().encode(request);
    const at = kernel.room(told.length) >>> 0;
    new Uint8Array(kernel.memory.buffer, at, told.length).set(told);
    let packed;
    try {
      packed = BigInt.asUintN(64, kernel.answer(at, told.length));
    } catch (error) {
      // After a trap the module's memory is not to be trusted: begin afresh.
      starting = null;
      throw new Error(`The lab broke down over this request (${error.message}). Please report it with its values.`);
    }
    const address = Number(packed & 0xffffffffn);
    const length = Number(packed >> 32n);
    const text = new TextDecoder().decode(new Uint8Array(kernel.memory.buffer, address, length));
    kernel.free(address, length);
    return text;
  };

  const text = lab.module === null ? fetched : computed;
  return {
    kind: lab.module === null ? "server" : "module",
    text: (request) => text(JSON.stringify(request)),
    async ask(request) {
      const answer = JSON.parse(await text(JSON.stringify(request)));
      if (answer.error !== undefined) throw new Error(answer.error);
      return answer;
    },
  };
})();
