// An OPC UA server that is not ours (node-opcua, from npm) for tests: counts up every 20 ms in Press4.Counter.
// Says one line of JSON when it listens. Arguments: port, folder for its certificate.
"use strict";
const path = require("path");
const opcua = require("node-opcua-server");
const { DataType } = require("node-opcua-variant");
const { StatusCodes } = require("node-opcua-status-code");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");
const { MessageSecurityMode, SecurityPolicy } = require("node-opcua-secure-channel");

opcua.MonitoredItem.minimumSamplingInterval = 5; // ms; 50 without this

async function main() {
    const [port, folder] = [Number(process.argv[2]), process.argv[3]];
    const manager = new OPCUACertificateManager({ rootFolder: path.join(folder, "pki"), automaticallyAcceptUnknownCertificate: true });
    const server = new opcua.OPCUAServer({
        port,
        hostname: "127.0.0.1",
        serverCertificateManager: manager,
        securityModes: [MessageSecurityMode.None, MessageSecurityMode.Sign, MessageSecurityMode.SignAndEncrypt],
        securityPolicies: [SecurityPolicy.None, SecurityPolicy.Basic256Sha256, SecurityPolicy.Aes256_Sha256_RsaPss],
        userManager: { isValidUser: (name, password) => name === "reader" && password === "correct horse" },
        allowAnonymous: true,
        isAuditing: false,
    });
    await server.initialize();
    const space = server.engine.addressSpace.getOwnNamespace();
    const press = space.addObject({ organizedBy: server.engine.addressSpace.rootFolder.objects, browseName: "Press4" });
    const add = (name, type, value) => {
        const made = space.addVariable({ componentOf: press, browseName: name, nodeId: `s=Press4.${name}`, dataType: type, minimumSamplingInterval: 5 });
        made.setValueFromSource({ dataType: DataType[type], value });
        return made;
    };
    const counter = add("Counter", "Double", 0);
    add("Mode", "Int16", 3);
    add("Enable", "Boolean", true);
    add("Name", "String", "platen");
    const broken = add("Broken", "Double", 1);
    broken.setValueFromSource({ dataType: DataType.Double, value: 1 }, StatusCodes.BadSensorFailure);
    let count = 0;
    setInterval(() => {
        count += 1;
        counter.setValueFromSource({ dataType: DataType.Double, value: count });
    }, 20);
    await server.start();
    console.log(JSON.stringify({ port, certificate: server.certificateFile }));
}

main().catch((error) => {
    console.error(error);
    process.exit(1);
});
