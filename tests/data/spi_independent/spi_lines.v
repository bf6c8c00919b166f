// The lines of a serial peripheral bus with two selects. In `loop` the device model drives MISO;
// in `echo` it is MOSI upside down.
module bench;
    reg sclk = 0, mosi = 1, cs_a = 1, cs_b = 0, loop = 1, echo = 0;
    wire miso = echo ? ~mosi : loop;
    wire [3:0] port = {mosi, cs_a, miso, sclk};
    integer sent = 0;

    reg [8*256-1:0] path;
    initial
        if ($value$plusargs("vcd=%s", path)) begin
            $dumpfile(path);
            $dumpvars(0, sclk, mosi, miso, cs_a, cs_b, port, sent);
        end
endmodule
