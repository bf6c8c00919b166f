// Control packets of MQTT 3.1, 3.1.1 and 5.0 with what they say, written by mqtt-packet 9.
// Run it with: npm install mqtt-packet@9 && node make_packets.js > packets.json
const mqtt = require('mqtt-packet')

const publish = (qos, more) => ({ cmd: 'publish', topic: 'capline/hopper/level', payload: '41.7',
  qos, dup: false, retain: false, messageId: qos ? 4660 : undefined, ...more })
const connect = (version, more) => ({ cmd: 'connect', protocolId: version === 3 ? 'MQIsdp' : 'MQTT',
  protocolVersion: version, clean: true, clientId: 'capline-01', keepalive: 60, ...more })
const will = { topic: 'capline/status', payload: 'offline', qos: 2, retain: true }

const shared = version => [
  connect(version), connect(version, { clean: false, keepalive: 0 }),
  connect(version, { will, username: 'op', password: Buffer.from('hunter-two') }),
  publish(0), publish(0, { retain: true }), publish(1), publish(2, { dup: true, retain: true }),
  publish(1, { payload: Buffer.alloc(300, 0x5a) }), publish(2, { payload: '' }),
  { cmd: 'pubrel', messageId: 4660 }, { cmd: 'pubcomp', messageId: 65535 },
  { cmd: 'puback', messageId: 1 }, { cmd: 'pubrec', messageId: 256 },
  { cmd: 'pingreq' }, { cmd: 'pingresp' }
]
const old = [
  { cmd: 'connack', sessionPresent: false, returnCode: 0 },
  { cmd: 'connack', sessionPresent: true, returnCode: 0 },
  { cmd: 'connack', sessionPresent: false, returnCode: 5 },
  { cmd: 'subscribe', messageId: 7, subscriptions: [{ topic: 'capline/#', qos: 1 }, { topic: '+', qos: 2 }] },
  { cmd: 'suback', messageId: 7, granted: [0, 1, 2, 128] },
  { cmd: 'unsubscribe', messageId: 8, unsubscriptions: ['capline/#', 'a/+/c'] },
  { cmd: 'unsuback', messageId: 8 }, { cmd: 'disconnect' }
]
const recent = [
  connect(5, { properties: { sessionExpiryInterval: 3600, receiveMaximum: 20, topicAliasMaximum: 8,
    userProperties: { line: '3' }, authenticationMethod: 'PLAIN', authenticationData: Buffer.from('hunter-two') } }),
  connect(5, { will: { ...will, properties: { willDelayInterval: 5, contentType: 'text/plain' } } }),
  { cmd: 'connack', sessionPresent: true, reasonCode: 0, properties: { serverKeepAlive: 30,
    assignedClientIdentifier: 'auto-1', maximumQoS: 1, retainAvailable: true } },
  { cmd: 'connack', sessionPresent: false, reasonCode: 0x87, properties: { reasonString: 'no' } },
  publish(1, { properties: { messageExpiryInterval: 30, contentType: 'application/json', topicAlias: 3,
    responseTopic: 'a/b', correlationData: Buffer.from('x1'), payloadFormatIndicator: true,
    userProperties: { line: '3' }, subscriptionIdentifier: 120 } }),
  publish(0, { topic: '', properties: { topicAlias: 3 } }),
  { cmd: 'puback', messageId: 10, reasonCode: 0x10 },
  { cmd: 'pubrec', messageId: 10, reasonCode: 0x97, properties: { reasonString: 'quota' } },
  { cmd: 'pubrel', messageId: 10, reasonCode: 0x92 }, { cmd: 'pubcomp', messageId: 10, reasonCode: 0x92 },
  { cmd: 'subscribe', messageId: 1, properties: { subscriptionIdentifier: 145 },
    subscriptions: [{ topic: 'capline/#', qos: 1, nl: true, rap: true, rh: 2 }] },
  { cmd: 'suback', messageId: 1, granted: [1, 0x87] },
  { cmd: 'unsubscribe', messageId: 2, unsubscriptions: ['capline/#'] },
  { cmd: 'unsuback', messageId: 2, granted: [0, 0x11] },
  { cmd: 'disconnect', reasonCode: 0x8d }, { cmd: 'disconnect', reasonCode: 0x8e, properties: { reasonString: 'taken' } },
  { cmd: 'disconnect', reasonCode: 0x04 }, { cmd: 'auth', reasonCode: 0x18, properties: { authenticationMethod: 'PLAIN' } }
]

const rows = []
for (const [version, packets] of [[3, shared(3)], [4, [...shared(4), ...old]], [5, [...shared(5), ...recent]]]) {
  for (const packet of packets) {
    const bytes = mqtt.generate(packet, { protocolVersion: version })
    if (!bytes.length) throw new Error(JSON.stringify(packet))
    const said = JSON.parse(JSON.stringify(packet, (key, value) =>
      value && value.type === 'Buffer' ? Buffer.from(value.data).toString('latin1') : value))
    rows.push({ version, hex: bytes.toString('hex'), packet: said })
  }
}
console.log('[\n' + rows.map(row => JSON.stringify(row)).join(',\n') + '\n]')
