// A displaced frame in colour, quickly: its sums of twelve on the tensor cores, single precision with contraction and the card's own
// logarithm after them, where that is near enough. Stands behind finish_frame.cu.
//
// A warp goes down a strip of SIDE finished columns on its own, SIDE rows a turn: it makes light of 2 * SIDE captured columns, filters
// them along the rows, and then down the columns, for the finished rows of this turn and those of the next. Captured samples are copied
// to shared memory a turn ahead; from there on all of it stays in registers: sums lie as the next product takes them. That two warps
// make light of the same samples costs no more than handing it over would, and no warp waits for another.
//
// A product takes halves. So each number is two of them, the nearest and the rest, 22 bits and a sign between them; the product of two
// rests, which is less than a rounding, is left out. Light is LIGHT_SCALE times as large and a weight WEIGHT_SCALE times, for halves
// below 2 ** -14 have fewer bits.
//
// Every pixel has a bound for what was lost against the processor. Where that could be half a code, near black, the pixel is put on a
// list, and the block at its end makes it again in the arithmetic of finish_frame.cu, to the bit. So is one whose light is more than
// halves can hold, or no number.
//
// Given by whoever compiles, besides: TABLE (0: none, samples are light; 1: the whole table of light lies in shared memory, as halves; 2:
// straight lines between knots of it do), STEPS (a colour's, two bits each), AFFINE (1: all of them on density are), MIXES (1: some mix
// channels after it), ACROSS, BLOCKS (of a multiprocessor), LIGHT_SCALE, WEIGHT_SCALE.

#if QUICK
#define SIDE 16
#define WARPS (ACROSS / SIDE)
#define THREADS (32 * WARPS)
#define AT_ONCE (16 / (int)sizeof(SAMPLE))  // samples that are copied at once; three times as many begin a pixel again
#define COPIES ((PIXELS * 3 + AT_ONCE - 1) / AT_ONCE)  // of a row
#define PIXELS (2 * SIDE + AT_ONCE - 4)  // of a row
#define ROW_LANES (COPIES <= 16 ? 16 : 32)  // that copy it
#define PITCH ((COPIES * 16 - 48 * (int)sizeof(SAMPLE) + 127) / 128 * 128 + 48 * (int)sizeof(SAMPLE))  // lanes in banks of their own
#define SUM_SCALE (LIGHT_SCALE * WEIGHT_SCALE * WEIGHT_SCALE)
#define MOST_LIGHT (32768.0f / (LIGHT_SCALE * WEIGHT_SCALE))  // a row's weights, without their signs, sum up to less than 1.9
#define LINE (SIDE * 3 * 2)  // bytes of a row of codes on its way out
#define ROOM (SIDE * (PITCH + LINE))  // of a warp
#define KNOT_BITS 10  // an octave of codes has 2 ** 10 knots, and codes are counted from there
#define SUMS_LOSE 1.2e-6f  // of the brightest light around: 20 roundings; two orders of 24 additions and this way part by up to 14
#define LEAST_LOST 7e-9f  // what halves cannot hold of light near 0
#define PER_LIGHT (5.0f / 12 / 0.4f)  // steepness of the display's curve over 0.4 of a code

struct Steps {
  __device__ constexpr int operator[](int step) const { return STEPS >> 2 * step & 3; }
};

struct Quick {
  static constexpr Steps steps{};
  static constexpr int window_count = 0;
  const float *curves, *lights;
  int knots, light_count, first_code, last_code, rows;
  float knots_share, knots_most;  // what the knots of the table lose: of light, and at most
  float colour_loses;  // of light: roundings of density, and the card's logarithm
  float most_scale, most_part;  // of captured light; of light after density that an error may be
  float per_column, per_row;  // of the finished picture from -1 to 1
  float numbers[135], before[9], after[9], surface[18], mixed[9];  // numbers take light SUM_SCALE times as large
};

// --- numbers as two halves, and their products

struct Halves {
  u32 nearest[2], rest[2];  // of four numbers, two in each
};

__device__ __forceinline__ u32 halves(float low, float high) {
  u32 both;
  asm("cvt.rn.f16x2.f32 %0, %1, %2;" : "=r"(both) : "f"(high), "f"(low));
  return both;
}

__device__ __forceinline__ float whole(u32 half) {
  float value;
  asm("cvt.f32.f16 %0, %1;" : "=f"(value) : "h"((unsigned short)half));
  return value;
}

__device__ __forceinline__ float inverse_of(float value) {
  float result;
  asm("rcp.approx.ftz.f32 %0, %1;" : "=f"(result) : "f"(value));
  return result;
}

// Light within 0 and 1 of what is SUM_SCALE times as large
__device__ __forceinline__ float share_of_white(float sum) {
  float result;
  asm("mul.ftz.sat.f32 %0, %1, %2;" : "=f"(result) : "f"(sum), "f"(1.0f / SUM_SCALE));
  return result;
}

// The larger number of each half, b without its sign; no number where one is none
__device__ __forceinline__ u32 larger(u32 a, u32 b) {
  u32 both;
  asm("{ .reg .b32 size; abs.f16x2 size, %2; max.NaN.f16x2 %0, %1, size; }" : "=r"(both) : "r"(a), "r"(b));
  return both;
}

// 16 x 8 sums and 16 x 16 by 16 x 8 halves, as mma.m16n8k16 lays them out among lanes
__device__ __forceinline__ void multiply(float *sums, u32 a0, u32 a1, u32 a2, u32 a3, u32 b0, u32 b1) {
  asm volatile("mma.sync.aligned.m16n8k16.row.col.f32.f16.f16.f32 {%0, %1, %2, %3}, {%4, %5, %6, %7}, {%8, %9}, {%0, %1, %2, %3};"
               : "+f"(sums[0]), "+f"(sums[1]), "+f"(sums[2]), "+f"(sums[3])
               : "r"(a0), "r"(a1), "r"(a2), "r"(a3), "r"(b0), "r"(b1));
}

__device__ __forceinline__ void multiply(float *sums, const u32 *a, u32 b0, u32 b1) { multiply(sums, a[0], a[1], a[2], a[3], b0, b1); }

// The same of 16 x 8 by 8 x 8
__device__ __forceinline__ void multiply_short(float *sums, u32 a0, u32 a1, u32 b0) {
  asm volatile("mma.sync.aligned.m16n8k8.row.col.f32.f16.f16.f32 {%0, %1, %2, %3}, {%4, %5}, {%6}, {%0, %1, %2, %3};"
               : "+f"(sums[0]), "+f"(sums[1]), "+f"(sums[2]), "+f"(sums[3])
               : "r"(a0), "r"(a1), "r"(b0));
}

// `minus`: this lane's part of -1 times the unit matrix. The rest comes out of a product too, exact, and four at a time.
__device__ __forceinline__ void split(const float *values, u32 minus, u32 *nearest, u32 *rest) {
  float left[4] = {values[0], values[1], values[2], values[3]};
  nearest[0] = halves(values[0], values[1]), nearest[1] = halves(values[2], values[3]);
  multiply_short(left, nearest[0], nearest[1], minus);
  rest[0] = halves(left[0], left[1]), rest[1] = halves(left[2], left[3]);
}

// Weights of a tap and the one behind it, 0 where there is none
__device__ __forceinline__ uint2 two_weights(const float *weights, int tap, bool mirrored) {
  auto weight = [&](int n) { return n >= 0 && n < TAPS ? weights[mirrored ? TAPS - 1 - n : n] * WEIGHT_SCALE : 0.0f; };
  float first = weight(tap), second = weight(tap + 1);
  u32 nearest = halves(first, second);
  return make_uint2(nearest, halves(first - whole(nearest & 0xFFFFu), second - whole(nearest >> 16)));
}

// --- light of samples

// --- shared memory, by addresses that stay in registers

__device__ __forceinline__ u32 shared_place(const void *from) {
  u32 place = (u32)__cvta_generic_to_shared(from);
  asm volatile("" : "+r"(place));
  return place;
}

__device__ __forceinline__ u32 shared_word(u32 place) {
  u32 word;
  asm volatile("ld.shared.u32 %0, [%1];" : "=r"(word) : "r"(place) : "memory");
  return word;
}

__device__ __forceinline__ float2 shared_line(u32 place) {
  float2 line;
  asm volatile("ld.shared.v2.f32 {%0, %1}, [%2];" : "=f"(line.x), "=f"(line.y) : "r"(place) : "memory");
  return line;
}

__device__ __forceinline__ uint4 shared_four(u32 place) {
  uint4 four;
  asm volatile("ld.shared.v4.u32 {%0, %1, %2, %3}, [%4];" : "=r"(four.x), "=r"(four.y), "=r"(four.z), "=r"(four.w) : "r"(place) : "memory");
  return four;
}

__device__ __forceinline__ void read_four(u32 place, u32 *words) {
  uint4 four = shared_four(place);
  words[0] = four.x, words[1] = four.y, words[2] = four.z, words[3] = four.w;
}

__device__ __forceinline__ void share(u32 place, u32 word) { asm volatile("st.shared.u32 [%0], %1;" : : "r"(place), "r"(word) : "memory"); }

// Four samples
__device__ __forceinline__ void shared_samples(u32 place, u32 *words) {
  if constexpr (sizeof(SAMPLE) == 1) {
    words[0] = shared_word(place);
  } else if constexpr (sizeof(SAMPLE) == 2) {
    asm volatile("ld.shared.v2.u32 {%0, %1}, [%2];" : "=r"(words[0]), "=r"(words[1]) : "r"(place) : "memory");
  } else {
    read_four(place, words);
  }
}

__device__ __forceinline__ void store_four(void *to, const uint4 &four) {
  asm volatile("st.global.v4.u32 [%0], {%1, %2, %3, %4};" : : "l"(to), "r"(four.x), "r"(four.y), "r"(four.z), "r"(four.w) : "memory");
}

// Samples on their way there, without registers
__device__ __forceinline__ void copy_at_once(u32 place, const void *from) {
  asm volatile("cp.async.cg.shared.global [%0], [%1], 16;" : : "r"(place), "l"(from) : "memory");
}

struct Frame {
  const SAMPLE *samples;
  const float *table;
  int last;
  const float *gain, *offset;
};

#define PER_WORD (4 / (int)sizeof(SAMPLE))

// Samples of a word bounded by the first and last code of the table that count
__device__ __forceinline__ u32 bounded(u32 word, const Quick &quick) {
#if TABLE != 0
  if constexpr (sizeof(SAMPLE) == 1)
    word = __vminu4(TABLE == 2 ? __vmaxu4(word, 0x01010101u * min(quick.first_code, 255)) : word, 0x01010101u * min(quick.last_code, 255));
  else if constexpr (sizeof(SAMPLE) == 2)
    word = __vminu2(TABLE == 2 ? __vmaxu2(word, 0x10001u * quick.first_code) : word, 0x10001u * quick.last_code);
#endif
  return word;
}

// The n-th sample of a word, with two bytes above it
__device__ __forceinline__ u32 sample_at(u32 word, int n, u32 above) {
  if constexpr (sizeof(SAMPLE) == 1) return __byte_perm(word, above, 0x5440u | n);
  if constexpr (sizeof(SAMPLE) == 2) return __byte_perm(word, above, n == 0 ? 0x5410u : 0x5432u);
  return word;
}

// Bytes from the table's beginning to the n-th sample's entry, of four bytes
__device__ __forceinline__ u32 code_place(u32 word, int n) {
  return sizeof(SAMPLE) == 2 && n == 1 ? word >> 14 : 4 * sample_at(word, n, 0);  // a code has 12 bits at most
}

__device__ __forceinline__ float quick_light(u32 word, int n, u32 lights, float base) {
#if TABLE == 2
  float key = __uint_as_float(sample_at(word, n, 0x4B00u)) - base;  // of 2 ** 23 and more the next numbers are whole
  u32 knot = __float_as_uint(key) & (~0u << (23 - KNOT_BITS));  // 8 bytes each
  float2 line = shared_line((knot >> (20 - KNOT_BITS)) + (lights - ((127 + KNOT_BITS) << (KNOT_BITS + 3))));
  return __fmaf_rn(line.y, key, line.x);
#elif TABLE == 1
  u32 both = shared_word(lights + code_place(word, n));
  return whole(both & 0xFFFFu) + whole(both >> 16);
#else
  return __uint_as_float(word) * LIGHT_SCALE;
#endif
}

// Halves of a channel's four pixels out of twelve samples; `places` are where they were captured
__device__ __forceinline__ Halves halves_of(const u32 *words, int channel, u32 lights, float base, const float *gain,
                                            const float *offset, const int *places, u32 minus) {
  Halves made;
#if TABLE == 1 && !EVEN  // the table is one of halves
  u32 both[4];
#pragma unroll
  for (int n = 0; n < 4; n += 1) {
    int sample = 3 * n + channel;
    both[n] = shared_word(lights + code_place(words[sample / PER_WORD], sample % PER_WORD));
  }
#pragma unroll
  for (int n = 0; n < 2; n += 1) {
    made.nearest[n] = __byte_perm(both[2 * n], both[2 * n + 1], 0x5410);
    made.rest[n] = __byte_perm(both[2 * n], both[2 * n + 1], 0x7632);
  }
#else
  float light[4];
#pragma unroll
  for (int n = 0; n < 4; n += 1) {
    int sample = 3 * n + channel;
    light[n] = quick_light(words[sample / PER_WORD], sample % PER_WORD, lights, base);
#if EVEN
    light[n] = __fmaf_rn(light[n], gain[places[n]], offset[places[n]] * LIGHT_SCALE);
#endif
  }
  split(light, minus, made.nearest, made.rest);
#endif
  return made;
}

// The pixel as finish_straight makes it, added in its order; lanes share its twelve rows, half a warp a pixel.
__device__ __noinline__ void exact_pixel(const Frame &frame, const Shape &shape, const Straight &move, const Colour &colour,
                                         const Dither &dither, int x, int y, unsigned short *pixel) {
  int v = within(y + threadIdx.x % 16 % TAPS + move.offset_y - REACH, shape.captured_height);
  if (move.mirrored_y) v = shape.captured_height - 1 - v;
  float light[3];
#pragma unroll 1
  for (int channel = 0; channel < 3; channel += 1) {
    float along = 0.0f, down = 0.0f;
#pragma unroll
    for (int tap = 0; tap < TAPS; tap += 1) {
      int u = within(x + tap + move.offset_x - REACH, shape.captured_width);
      if (move.mirrored_x) u = shape.captured_width - 1 - u;
      long place = ((long)v * shape.captured_width + u) * 3 + channel;
      along = along + move.weights_x[tap] * light_of(frame.samples, frame.table, frame.last, frame.gain, frame.offset, place);
    }
#pragma unroll
    for (int row = 0; row < TAPS; row += 1) down = down + move.weights_y[row] * __shfl_sync(0xFFFFFFFFu, along, row, 16);
    light[channel] = down;
  }
  finish_pixel(light, shape, colour, dither, x, y, true, pixel);  // the same in all lanes of a half
}

#if COLOURED
// Light to light where all of density is affine: one logarithm, a matrix, the frame's surface and one exponential a channel.
template <int COUNT>
__device__ __forceinline__ void affine_pixels(float (*p)[3], const Quick &quick, float y, float x, float across, float (*seen)[3],
                                              float (*made)[3]) {
  const float *n = quick.numbers;
#pragma unroll
  for (int k = 0; k < COUNT; k += 1)
#pragma unroll
    for (int channel = 0; channel < 3; channel += 1) {
      seen[k][channel] = __fmaf_rn(p[k][channel], n[N_SCALE + channel], n[N_SHIFT + channel]);
      p[k][channel] = log2_of(fmaxf(seen[k][channel], n[N_FLOOR]));
    }
#pragma unroll
  for (int channel = 0; channel < 3; channel += 1) {
    const float *t = quick.surface + 6 * channel, *g = quick.mixed + 3 * channel;
    float at_0 = __fmaf_rn(__fmaf_rn(t[5], y, t[2]), y, t[0]), at_x = __fmaf_rn(t[4], y, t[1]);
#pragma unroll
    for (int k = 0; k < COUNT; k += 1) {
      float place = __fmaf_rn((float)k, across, x), power = __fmaf_rn(place, __fmaf_rn(place, t[3], at_x), at_0);
      made[k][channel] = exp2_of(__fmaf_rn(g[2], p[k][2], __fmaf_rn(g[1], p[k][1], __fmaf_rn(g[0], p[k][0], power))));
    }
  }
#pragma unroll
  for (int k = 0; k < COUNT; k += 1)
#pragma unroll
    for (int channel = 0; channel < 3; channel += 1) p[k][channel] = made[k][channel] + n[N_OUT_SHIFT + channel];
  finished_light<COUNT>(p, quick, made);
}
#endif

// Codes of pixels' light that lie side by side, and a bit for each of which one may be off by 0.4. Light is SUM_SCALE times as large.
template <int COUNT>
__device__ __forceinline__ u32 quick_pixels(float (*p)[3], const Quick &quick, float lost, float least, float peak, u32 seed, int first,
                                            float y, float x, float across, u32 *codes) {
#if COLOURED
  float seen[COUNT][3], made[COUNT][3];
  if constexpr (AFFINE)
    affine_pixels<COUNT>(p, quick, y, x, across, seen, made);
  else
    colour_pixels<COUNT>(p, quick, y, x, across, seen, made);
  float floor = quick.numbers[N_FLOOR], lost_above = __fmaf_rn(-lost, quick.most_scale, floor);
#endif
  u32 doubts = 0, base;
  asm("mov.u32 %0, 0x47000000;" : "=r"(base));  // 2 ** 15, whose last byte counts 1/256: a code of 12 bits fits above it
#pragma unroll
  for (int k = 0; k < COUNT; k += 1) {
    u32 hash = mix(seed + (u32)(first + k)) | 0x00010101u;  // a step of dither and a half, in halves
    bool sure = true;  // and never where light is no number
#if COLOURED
    float share[3], off[3];
#pragma unroll
    for (int n = 0; n < 3; n += 1)  // nothing is lost of light that stays below the floor
      share[n] = (seen[k][n] <= lost_above ? 0.0f : lost) * inverse_of(fmaxf(seen[k][n], floor));
#pragma unroll
    for (int n = 0; n < 3; n += 1) {
      const float *b = quick.before + 3 * n;
      float part = __fmaf_rn(b[0], share[0], __fmaf_rn(b[1], share[1], __fmaf_rn(b[2], share[2], quick.colour_loses)));
      off[n] = made[k][n] * part;
      if constexpr (Quick::steps[S_MATRIX] != 0) sure &= part <= quick.most_part;  // more could reach light that was cut off
    }
    if constexpr (MIXES) {
      float r = off[0], g = off[1], b = off[2];
#pragma unroll
      for (int n = 0; n < 3; n += 1) {
        const float *a = quick.after + 3 * n;
        off[n] = __fmaf_rn(a[0], r, __fmaf_rn(a[1], g, a[2] * b));
      }
    }
#endif
#pragma unroll
    for (int n = 0; n < 3; n += 1) {
#if COLOURED
      float value = exp2_of(log2_of(__saturatef(p[k][n])) * INVERSE_EXPONENT);
      sure &= off[n] * __fmaf_rn(value, peak * PER_LIGHT, 1.0f) < fabsf(p[k][n]);  // the error itself where light is below 0
#else
      float value = exp2_of(log2_of(share_of_white(p[k][n])) * INVERSE_EXPONENT);
      sure &= fabsf(p[k][n]) > least;
#endif
      float dither = __uint_as_float(__byte_perm(hash, base, 0x7650 | n));
      codes[3 * k + n] = __float_as_uint(__fmaf_rd(value, peak, dither));  // in its middle bytes
    }
    if (!sure) doubts |= 1u << k;
  }
  return doubts;
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS)
    finish_quick(const SAMPLE *__restrict__ samples, const float *__restrict__ table, int last, const float *__restrict__ gain,
                 const float *__restrict__ offset, const __grid_constant__ Shape shape, const __grid_constant__ Straight move,
                 const __grid_constant__ Colour colour, const __grid_constant__ Dither dither, unsigned short *__restrict__ out,
                 const __grid_constant__ Quick quick, u32 *doubtful) {
  extern __shared__ char room[];  // the table, then samples and codes of each warp
  __shared__ uint2 pairs[2][64];
  __shared__ uint4 weights[6][32];
  __shared__ u32 listed;
  u32 *list = doubtful + (long)(blockIdx.y * gridDim.x + blockIdx.x) * quick.rows * ACROSS;
  int thread;
  asm volatile("mov.u32 %0, %%tid.x;" : "=r"(thread));
  int lane = thread & 31, warp = thread >> 5, eighth = lane >> 2, quarter = lane & 3;
  float base = 8388608.0f + (float)(quick.first_code - (1 << KNOT_BITS));
  u32 minus = halves(2 * quarter == eighth ? -1.0f : 0.0f, 2 * quarter + 1 == eighth ? -1.0f : 0.0f);
  int strip = blockIdx.x * ACROSS, left = strip + SIDE * warp, top = blockIdx.y * quick.rows, stop = min(top + quick.rows, shape.height);
  // A mirrored capture is taken as it lies, its finished columns from right to left. Copies begin a whole number of AT_ONCE pixels from
  // the edge, light a whole number of fours.
  int begin_x = move.offset_x - REACH + left;
  if (move.mirrored_x) begin_x = shape.captured_width - begin_x - (SIDE + TAPS - 1);
  int spare = begin_x & 3, lead = (begin_x & (AT_ONCE - 1)) - spare;
  int first = begin_x - spare - lead, begin_y = top + move.offset_y - REACH;
  int begins = move.mirrored_y ? (shape.captured_height - 1) * shape.captured_width * 3 : 0;
  int step = shape.captured_width * (move.mirrored_y ? -3 : 3);
  auto row_place = [&](int row) { return begins + min(max(begin_y + row, 0), shape.captured_height - 1) * step; };
  char *captured = room + quick.light_count * 4 + warp * ROOM;
  int copy_row = lane / ROW_LANES, copy = lane % ROW_LANES, copy_from = 3 * first + copy * AT_ONCE;
  u32 copy_to = shared_place(captured + copy_row * PITCH + copy * 16);
  bool aligned = shape.captured_width % AT_ONCE == 0 && (size_t)samples % 16 == 0;
  bool over_edge = first < 0 || first + PIXELS > shape.captured_width;
  if (copy >= COPIES || copy_from >= 3 * shape.captured_width) copy_from = -1;  // this lane copies nothing
  auto fetch = [&](int turn) {
    constexpr int rows = 32 / ROW_LANES;  // at once
    int row = SIDE * turn + copy_row;
    if (!aligned) {
      for (int n = lane; n < PIXELS * 3; n += 32)
#pragma unroll 8
        for (int k = 0; k < SIDE; k += 1)
          ((SAMPLE *)(captured + k * PITCH))[n] =
              samples[row_place(SIDE * turn + k) + within(first + n / 3, shape.captured_width) * 3 + n % 3];
    } else if (copy_from < 0) {
      return;
    } else if (begin_y + SIDE * turn >= 0 && begin_y + SIDE * turn + SIDE <= shape.captured_height) {
      u32 from = row_place(row) + copy_from, apart = rows * step;
#pragma unroll
      for (int n = 0; n < SIDE / rows; n += 1) copy_at_once(copy_to + n * rows * PITCH, samples + (from + n * apart));
    } else {
#pragma unroll 1
      for (int n = 0; n < SIDE / rows; n += 1) copy_at_once(copy_to + n * rows * PITCH, samples + (row_place(row + n * rows) + copy_from));
    }
  };
  // Pixels over the edge are the edge's; where that was not copied either, all of the finished ones lie outside.
  auto repeat_edge = [&]() {
    for (int n = lane; n < PIXELS * SIDE; n += 32) {
      int pixel = n / SIDE, edge = within(first + pixel, shape.captured_width) - first;
      SAMPLE *row = (SAMPLE *)(captured + n % SIDE * PITCH);
      if (edge != pixel && edge >= 0 && edge < PIXELS)
        for (int channel = 0; channel < 3; channel += 1) row[3 * pixel + channel] = row[3 * edge + channel];
    }
    __syncwarp();
  };
  fetch(0);
  u32 lights = shared_place(room);
  for (int n = thread; n < quick.light_count / 4; n += THREADS) copy_at_once(lights + 16 * n, (const uint4 *)quick.lights + n);
  if (thread == 0) listed = 0;
  if (thread < 64) pairs[0][thread] = two_weights(move.weights_x, thread - 32, move.mirrored_x);
  if (thread < 64) pairs[1][thread] = two_weights(move.weights_y, thread - 32, false);
  __syncthreads();
  // Weights along: rows of the product are finished columns 0, 2, ... 14 and 1, 3, ... 15, the terms of a lane its four captured columns.
  // Weights down: finished rows 0, 4, 1, 5, ... of eight, which keeps lanes in banks of their own when codes are laid down.
  // They lie in shared memory, as a lane takes them: registers are scarce.
  if (warp == 0) {
    u32 along[4][4], down[2][4];
#pragma unroll
    for (int n = 0; n < 8; n += 1) {
      int column = 2 * eighth + n % 2;
      uint2 two = pairs[0][32 + SIDE * (n / 4) + 4 * quarter + n % 4 / 2 * 2 - spare - (move.mirrored_x ? SIDE - 1 - column : column)];
      along[n / 4][n % 4] = two.x, along[2 + n / 4][n % 4] = two.y;
    }
#pragma unroll
    for (int n = 0; n < 4; n += 1) {
      uint2 two = pairs[1][32 + 8 * (n / 2 + n % 2) + 2 * quarter - eighth / 2 - eighth % 2 * 4];
      down[0][n] = two.x, down[1][n] = two.y;
    }
#pragma unroll
    for (int n = 0; n < 6; n += 1) {
      const u32 *four = n < 4 ? along[n] : down[n - 4];
      weights[n][lane] = make_uint4(four[0], four[1], four[2], four[3]);
    }
  }
  asm volatile("cp.async.wait_all;" : : : "memory");
  __syncthreads();
  u32 weights_from = shared_place(&weights[0][lane]);
  float sums[3][2][4];  // of the finished rows of a turn, upper and lower eight; the turn before begins them
#pragma unroll
  for (int n = 0; n < 24; n += 1) sums[n / 8][n / 4 % 2][n % 4] = 0.0f;
  u32 bright_before = 0, from = shared_place(captured + eighth * PITCH + 3 * (lead + 4 * quarter) * (int)sizeof(SAMPLE));
  u32 codes_to = shared_place(captured + SIDE * PITCH + quarter * LINE + eighth * 12);
  u32 codes_from = shared_place(captured + SIDE * PITCH + lane * 16);
  u32 codes_at[3], ends = stop * shape.width * 3;  // where a lane's eight codes go, thrice a turn
#pragma unroll
  for (int n = 0; n < 3; n += 1) {
    int row = (lane + 32 * n) / 6, code = (lane + 32 * n) % 6 * 8;
    codes_at[n] = code < (shape.width - left) * 3 ? row * shape.width * 3 + code : 0x80000000u;
  }
  int turns = left < shape.width ? (stop - top + SIDE - 1) / SIDE : -1;
  for (int turn = 0; turn <= turns; turn += 1) {  // the first only begins sums
    asm volatile("cp.async.wait_all;" : : : "memory");
    __syncwarp();
    if (aligned && over_edge) repeat_edge();
    u32 words[2][2][12 / PER_WORD], most = 0;  // of eight rows each, of SIDE columns each
#pragma unroll
    for (int n = 0; n < 12; n += 1)
      shared_samples(from + n / 6 * 8 * PITCH + (n / 3 % 2 * SIDE * 3 + n % 3 * 4) * (int)sizeof(SAMPLE),
                     words[n / 6][n / 3 % 2] + n % 3 * (int)sizeof(SAMPLE));
#pragma unroll
    for (int n = 0; n < 48 / PER_WORD; n += 1) {
      u32 &word = words[n / (24 / PER_WORD)][n / (12 / PER_WORD) % 2][n % (12 / PER_WORD)];
      word = bounded(word, quick);
    }
    __syncwarp();  // everybody has read them: their room takes the next
    if (turn < turns) fetch(turn + 1);
    u32 along[2][4], along_rest[2][4], down[4], down_rest[4];
    read_four(weights_from, along[0]), read_four(weights_from + 512, along[1]);
    read_four(weights_from + 2 * 512, along_rest[0]), read_four(weights_from + 3 * 512, along_rest[1]);
    read_four(weights_from + 4 * 512, down), read_four(weights_from + 5 * 512, down_rest);
    float finished[3][2][4];
#pragma unroll
    for (int channel = 0; channel < 3; channel += 1) {
      Halves light[2][2];  // of eight rows each, of SIDE columns each
#pragma unroll
      for (int n = 0; n < 4; n += 1) {
        int at[4] = {};
#if EVEN
#pragma unroll
        for (int k = 0; k < 4; k += 1)
          at[k] = row_place(SIDE * turn + n / 2 * 8 + eighth) + channel +
                  within(first + lead + n % 2 * SIDE + 4 * quarter + k, shape.captured_width) * 3;
#endif
        light[n / 2][n % 2] = halves_of(words[n / 2][n % 2], channel, lights, base, gain, offset, at, minus);
        most = larger(larger(most, light[n / 2][n % 2].nearest[0]), light[n / 2][n % 2].nearest[1]);
      }
      float lines[2][4] = {};
#pragma unroll
      for (int n = 0; n < 12; n += 1) {  // the least first
        const Halves &one = light[n % 2][n / 2 % 2];
        multiply(lines[n % 2], n / 4 == 1 ? along_rest[n / 2 % 2] : along[n / 2 % 2], n < 4 ? one.rest[0] : one.nearest[0],
                 n < 4 ? one.rest[1] : one.nearest[1]);
      }
      u32 near[4], rest[4];
      split(lines[0], minus, near, rest);
      split(lines[1], minus, near + 2, rest + 2);
      float *upper = sums[channel][0], *lower = sums[channel][1];
      multiply(lower, rest, down[2], down[3]);
      multiply_short(upper, rest[0], rest[1], down[3]);
      multiply(lower, near, down_rest[2], down_rest[3]);
      multiply_short(upper, near[0], near[1], down_rest[3]);
      multiply(lower, near, down[2], down[3]);
      multiply_short(upper, near[0], near[1], down[3]);
#pragma unroll
      for (int n = 0; n < 8; n += 1) finished[channel][n / 4][n % 4] = sums[channel][n / 4][n % 4], sums[channel][n / 4][n % 4] = 0.0f;
      multiply(upper, rest, down[0], down[1]);
      multiply_short(lower, rest[2], rest[3], down[0]);
      multiply(upper, near, down_rest[0], down_rest[1]);
      multiply_short(lower, near[2], near[3], down_rest[0]);
      multiply(upper, near, down[0], down[1]);
      multiply_short(lower, near[2], near[3], down[0]);
    }
    most = __reduce_max_sync(0xFFFFFFFFu, max(most & 0xFFFFu, most >> 16));
    u32 around = max(most, bright_before);
    bright_before = most;
    if (turn == 0) continue;
    int y = top + (turn - 1) * SIDE;
    float bright = whole(around) * (1.001f / LIGHT_SCALE);
    float lost = __fmaf_rn(SUMS_LOSE, bright, fminf(quick.knots_share * bright, quick.knots_most) + LEAST_LOST);
    if (!(bright < MOST_LIGHT)) lost = __int_as_float(0x7F800000);
    float least = exp2_of(log2_of(lost * (dither.peak * PER_LIGHT)) * (12.0f / 7)) * SUM_SCALE;
    u32 seeds = mix(mix(dither.frame + 1u) + (u32)(y + lane % SIDE) * GOLDEN), doubts = 0;
    int x = left + 2 * eighth;
    float across = __fmaf_rn((float)x + 0.5f, quick.per_column, -1.0f);
#pragma unroll
    for (int n = 0; n < 4; n += 1) {
      int row = 8 * (n / 2) + quarter + n % 2 * 4;
      float place = __fmaf_rn((float)(y + row) + 0.5f, quick.per_row, -1.0f), p[2][3];
#pragma unroll
      for (int k = 0; k < 6; k += 1) p[k / 3][k % 3] = finished[k % 3][n / 2][k / 3 * 2 + n % 2];
      u32 codes[6], seed = __shfl_sync(0xFFFFFFFFu, seeds, row);
      doubts |= quick_pixels<2>(p, quick, lost, least, dither.peak, seed, x, place, across, quick.per_column, codes) << (2 * n);
#pragma unroll
      for (int k = 0; k < 3; k += 1)
        share(codes_to + (8 * (n / 2) + n % 2 * 4) * LINE + 4 * k, __byte_perm(codes[2 * k], codes[2 * k + 1], 0x6521));
    }
    unsigned short *laid = (unsigned short *)(captured + SIDE * PITCH);
    bool inside = left >= move.first_x && left + SIDE <= move.stop_x && y >= move.first_y && y + SIDE <= move.stop_y;
    if (doubts != 0 || !inside)
#pragma unroll 1
      for (int n = 0; n < 8; n += 1) {
        int row = 8 * (n / 4) + quarter + n / 2 % 2 * 4, own_x = x + n % 2, own_y = y + row;
        unsigned short *pixel = laid + row * (LINE / 2) + 6 * eighth + 3 * (n % 2);
        if (own_x < move.first_x || own_x >= move.stop_x || own_y < move.first_y || own_y >= move.stop_y)
          pixel[0] = pixel[1] = pixel[2] = 0;
        else if (doubts >> n & 1u)
          list[atomicAdd(&listed, 1u)] = (u32)((own_y - top) * ACROSS + own_x - strip);
      }
    __syncwarp();
    u32 begin = (y * shape.width + left) * 3;
    if (shape.width % 8 == 0) {
#pragma unroll
      for (int n = 0; n < 3; n += 1)
        if (begin + codes_at[n] < ends) store_four(out + (begin + codes_at[n]), shared_four(codes_from + 512 * n));
    } else {
#pragma unroll 1
      for (int n = lane; n < SIDE * SIDE * 3; n += 32)
        if (n % (SIDE * 3) < (shape.width - left) * 3 && y + n / (SIDE * 3) < stop)
          out[begin + n / (SIDE * 3) * shape.width * 3 + n % (SIDE * 3)] = laid[n];
    }
  }
  __syncthreads();
  for (u32 n = 2 * warp; n < listed; n += 2 * WARPS) {  // the last one twice where their number is odd
    u32 own = list[min(n + lane / 16, listed - 1)];
    int x = strip + own % ACROSS, y = top + own / ACROSS;
    exact_pixel({samples, table, last, gain, offset}, shape, move, colour, dither, x, y, out + ((long)y * shape.width + x) * 3);
  }
}
#endif
