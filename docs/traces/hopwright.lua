-- Reads the packets of trace.pcapng (docs/traces.md) in Wireshark and tshark:
--
--   tshark -X lua_script:docs/traces/hopwright.lua -r trace.pcapng
--
-- Link type 147 is everybody's for private use; this reader takes it for the record that
-- `hopwright run --traces` writes, and leaves alone whatever does not begin like one.

local VERSION = 1
local FIXED = 40
local NONE = 0xffffffff

local proto = Proto("hopwright", "Hopwright simulated transmission")
local contents = { [0] = "header in a sync slot", [1] = "header in a traffic slot", [2] = "payload" }
local f = proto.fields
f.version = ProtoField.uint8("hopwright.version", "Version of the record")
f.content = ProtoField.uint8("hopwright.content", "Content", base.DEC, contents)
f.interfered = ProtoField.bool("hopwright.interfered", "An interferer was on the channel", 8, nil, 0x01)
f.single = ProtoField.bool("hopwright.single", "On a single channel, apart from the net", 8, nil, 0x02)
f.address = ProtoField.uint8("hopwright.address", "Address of the sender", base.HEX)
f.lane = ProtoField.uint8("hopwright.lane", "Lane")
f.channel = ProtoField.uint16("hopwright.channel", "Channel")
f.frequency = ProtoField.uint64("hopwright.frequency_hz", "Frequency in Hz")
f.slot = ProtoField.uint32("hopwright.slot", "Slot of home time")
f.over = ProtoField.uint32("hopwright.over", "Over")
f.word = ProtoField.uint32("hopwright.word", "Unique word", base.HEX)
f.duration = ProtoField.uint32("hopwright.duration_us", "Time on the air in us")
f.waited = ProtoField.uint16("hopwright.waited", "Radios that waited for it")
f.heard = ProtoField.uint16("hopwright.heard", "Radios that heard it")
f.station = ProtoField.string("hopwright.station", "Sender", base.UNICODE)
f.bits = ProtoField.bytes("hopwright.bits", "Bits behind the word, coded and sealed")

function proto.dissector(buffer, pinfo, tree)
    if buffer:len() < FIXED or buffer(0, 1):uint() ~= VERSION then return 0 end
    local head, name = buffer(1, 1):uint(), buffer(39, 1):uint()
    if head ~= FIXED + name or buffer:len() < head then return 0 end
    local top = tree:add(proto, buffer())
    top:add(f.version, buffer(0, 1))
    top:add(f.content, buffer(2, 1))
    top:add(f.interfered, buffer(3, 1))
    top:add(f.single, buffer(3, 1))
    top:add(f.address, buffer(4, 1))
    top:add(f.lane, buffer(5, 1))
    top:add(f.channel, buffer(6, 2))
    top:add(f.frequency, buffer(8, 8))
    if buffer(16, 4):uint() ~= NONE then top:add(f.slot, buffer(16, 4)) end
    if buffer(20, 4):uint() ~= NONE then top:add(f.over, buffer(20, 4)) end
    top:add(f.word, buffer(24, 4))
    top:add(f.duration, buffer(28, 4))
    top:add(f.waited, buffer(32, 2))
    top:add(f.heard, buffer(34, 2))
    local station = name > 0 and buffer(FIXED, name):string(ENC_UTF_8) or ""
    if name > 0 then top:add(f.station, buffer(FIXED, name), station) end
    if buffer:len() > head then top:add(f.bits, buffer(head)) end
    pinfo.cols.protocol = "HOPWRIGHT"
    pinfo.cols.src = station
    pinfo.cols.info = string.format("%s, channel %d, heard by %d of %d",
        contents[buffer(2, 1):uint()] or "unknown content", buffer(6, 2):uint(),
        buffer(34, 2):uint(), buffer(32, 2):uint())
    return buffer:len()
end

-- 45 is USER0 in the readers' own numbering.
DissectorTable.get("wtap_encap"):add(wtap and wtap.USER0 or 45, proto)
