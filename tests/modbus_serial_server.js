// A Modbus TCP server that is not ours (modbus-serial, from npm) for tests. Says a line when it listens.
// Arguments: port, JSON with `inputs` and `holdings` (address to register), `bits` (addresses that are on), `refused`
// (address to exception code) and `silent` (units that never answer).
"use strict";
const { ServerTCP } = require("modbus-serial");

const given = JSON.parse(process.argv[3]);
const never = new Promise(() => {});

function answer(table, address, unit) {
    if (given.silent.includes(unit)) return never;
    const code = given.refused[address];
    if (code !== undefined) return Promise.reject(Object.assign(new Error("refused"), { modbusErrorCode: code }));
    return table(address);
}

const server = new ServerTCP(
    {
        getInputRegister: (address, unit) => answer((at) => given.inputs[at] ?? 0, address, unit),
        getHoldingRegister: (address, unit) => answer((at) => given.holdings[at] ?? 0, address, unit),
        getCoil: (address, unit) => answer((at) => given.bits.includes(at), address, unit),
        getDiscreteInput: (address, unit) => answer((at) => given.bits.includes(at), address, unit),
    },
    { host: "127.0.0.1", port: Number(process.argv[2]), unitID: 255 }, // every unit
);
server.on("initialized", () => console.log("ready"));
