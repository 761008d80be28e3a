// A displaced frame in colour, quickly: single precision with contraction and the card's own logarithm, where that is near enough.
// Stands behind finish_frame.cu. A block goes down a strip of ACROSS finished pixels: a thread filters COLUMNS_EACH columns of
// samples down, with the last rows of light in its registers, and a warp filters one row of what came out along.
//
// Every pixel has a bound for what was lost against the processor. Where that could be half a code, near black, the pixel is put on a
// list, and the block at its end makes it again in the arithmetic of finish_frame.cu, to the bit.
//
// Given by whoever compiles, besides: TABLE (0: light_of; 1: the whole table of light lies in shared memory; 2: straight lines between
// knots of it do), BLOCKS (of a multiprocessor).

#if QUICK
#define ACROSS 128  // four pixels for a lane
#define COLUMNS ((ACROSS + TAPS - 1) * 3)
#define COLUMNS_EACH 2
#define PITCH ((COLUMNS + 3) / 4 * 4)
#define WARPS 8  // and rows of a turn of the loop
#define THREADS (32 * WARPS)
#define MOMENTS 8  // turns whose brightest light is kept
#define KNOT_BITS 10  // an octave of codes has 2 ** 10 knots, and codes are counted from there
#define SUMS_LOSE 4.8e-7f  // of the brightest light around: 8 roundings; two orders of 24 additions part by about 1
#define PER_LIGHT (5.0f / 12 / 0.4f)  // steepness of the display's curve over 0.4 of a code

struct Quick {
  const float *curves, *lights;
  int steps[9];
  int knots, window_count, light_count, lift, least_bits, most_bits, rows, multiprocessors, affine, mixes;
  float knots_share, knots_most;  // what the knots of the table lose: of light, and at most
  float colour_loses;  // of light: roundings of density, and the card's logarithm
  float most_scale, most_part;  // of captured light; of light after density that an error may be
  float per_column, per_row;  // of the finished picture from -1 to 1
  float numbers[135], before[9], after[9], surface[18], mixed[9];
};

__device__ __forceinline__ float quick_light(SAMPLE sample, const Quick &quick, const float *lights, const float *table, int last) {
#if TABLE == 2
  int bits = (int)sample + quick.lift;  // of 2 ** 23 and more, whose next numbers are whole
  bits = max(bits, quick.least_bits);
  bits = min(bits, quick.most_bits);
  float key = __int_as_float(bits) - 8388608.0f;
  float2 line = ((const float2 *)lights)[(__float_as_int(key) >> (23 - KNOT_BITS)) - ((127 + KNOT_BITS) << KNOT_BITS)];
  return __fmaf_rn(line.y, key, line.x);
#elif TABLE == 1
  return lights[min((int)sample, last)];
#elif LOOKED_UP
  return table[min((int)sample, last)];
#else
  return sample;
#endif
}

struct Frame {
  const SAMPLE *samples;
  const float *table;
  int last;
  const float *gain, *offset;
};

// The pixel as finish_straight makes it, added in its order; the lanes of a warp share its twelve rows.
__device__ __noinline__ void exact_pixel(const Frame &frame, const Shape &shape, const Straight &move, const Colour &colour,
                                         const Dither &dither, int x, int y, unsigned short *pixel) {
  int lane = threadIdx.x & 31;
  int v = within(y + lane % TAPS + move.offset_y - REACH, shape.captured_height);
  if (move.mirrored_y) v = shape.captured_height - 1 - v;
  float light[3];
#pragma unroll
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
    for (int row = 0; row < TAPS; row += 1) down = down + move.weights_y[row] * __shfl_sync(0xFFFFFFFFu, along, row);
    light[channel] = down;
  }
  finish_pixel(light, shape, colour, dither, x, y, true, pixel);  // all lanes the same
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

// Codes of pixels' light that lie side by side, and a bit for each of which one may be off by 0.4.
template <int COUNT>
__device__ __forceinline__ u32 quick_pixels(float (*p)[3], const Quick &quick, float lost, float least, float peak, u32 seed, int first,
                                            float y, float x, float across, u32 *codes) {
#if COLOURED
  float seen[COUNT][3], made[COUNT][3];
  if (quick.affine)
    affine_pixels<COUNT>(p, quick, y, x, across, seen, made);
  else
    colour_pixels<COUNT>(p, quick, y, x, across, seen, made);
#endif
  u32 doubts = 0, base;
  asm("mov.u32 %0, 0x47000000;" : "=r"(base));  // 2 ** 15, whose last byte counts 1/256: a code of 12 bits fits above it
#pragma unroll
  for (int k = 0; k < COUNT; k += 1) {
    u32 hash = mix(seed + (u32)(first + k)) | 0x00010101u;  // a step of dither and a half, in halves
    bool doubtful = false;
#if COLOURED
    float share[3], off[3];
#pragma unroll
    for (int n = 0; n < 3; n += 1) {  // nothing is lost of light that stays below the floor
      float floor = quick.numbers[N_FLOOR];
      bool above = seen[k][n] > __fmaf_rn(-lost, quick.most_scale, floor);
      share[n] = above ? __fdividef(lost, fmaxf(seen[k][n], floor)) : 0.0f;
    }
#pragma unroll
    for (int n = 0; n < 3; n += 1) {
      const float *b = quick.before + 3 * n;
      float part = __fmaf_rn(b[0], share[0], __fmaf_rn(b[1], share[1], __fmaf_rn(b[2], share[2], quick.colour_loses)));
      off[n] = made[k][n] * part;
      doubtful |= part > quick.most_part;  // so much could reach light that was cut off
    }
    if (quick.mixes) {
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
      float value = exp2_of(log2_of(__saturatef(p[k][n])) * INVERSE_EXPONENT);
#if COLOURED
      doubtful |= off[n] * fmaxf(value * (peak * PER_LIGHT), 1.0f) > fabsf(p[k][n]);  // the error itself where light is below 0
#else
      doubtful |= fabsf(p[k][n]) < least;
#endif
      float dither = __uint_as_float(__byte_perm(hash, base, 0x7650 | n));
      codes[3 * k + n] = __float_as_uint(__fmaf_rd(value, peak, dither));  // in its middle bytes
    }
    doubts |= doubtful ? 1u << k : 0u;
  }
  return doubts;
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS)
    finish_quick(const SAMPLE *__restrict__ samples, const float *__restrict__ table, int last, const float *__restrict__ gain,
                 const float *__restrict__ offset, const __grid_constant__ Shape shape, const __grid_constant__ Straight move,
                 const __grid_constant__ Colour colour, const __grid_constant__ Dither dither, unsigned short *__restrict__ out,
                 const __grid_constant__ Quick quick, u32 *doubtful) {
  extern __shared__ float4 room[];
  __shared__ u32 brightest[MOMENTS], listed;
  u32 *list = doubtful + (long)(blockIdx.y * gridDim.x + blockIdx.x) * quick.rows * ACROSS;
  float *lines = (float *)room, *lights = lines + 2 * WARPS * PITCH;
  int thread = threadIdx.x, lane = thread & 31, warp = thread >> 5;
  for (int n = thread; n < quick.light_count / 4; n += THREADS) ((float4 *)lights)[n] = ((const float4 *)quick.lights)[n];
  if (thread < MOMENTS) brightest[thread] = 0;
  if (thread == 0) listed = 0;
  int left = blockIdx.x * ACROSS, top = blockIdx.y * quick.rows, stop = min(top + quick.rows, shape.height);
  // Warps of every other block of a multiprocessor take each other's columns, so that its quarters have the same to do.
  int role = (warp + (blockIdx.y * gridDim.x + blockIdx.x) / quick.multiprocessors * 2) % WARPS;
  int height = shape.captured_height, begin = top + move.offset_y - REACH;
  int begins = move.mirrored_y ? (height - 1) * shape.captured_width * 3 : 0;
  int step = shape.captured_width * (move.mirrored_y ? -3 : 3), column[COLUMNS_EACH], place[COLUMNS_EACH];
#pragma unroll
  for (int each = 0; each < COLUMNS_EACH; each += 1) {
    place[each] = (role + each * WARPS) * 32 + lane;
    int u = within(left + place[each] / 3 + move.offset_x - REACH, shape.captured_width);
    if (move.mirrored_x) u = shape.captured_width - 1 - u;
    column[each] = begins + 3 * u + place[each] % 3;
  }
  auto at_row = [&](int n, int each) { return min(max(begin + n, 0), height - 1) * step + column[each]; };
  auto even = [&](float light, int n, int each) {
#if EVEN
    int at = at_row(n, each);
    return __fmaf_rn(light, gain[at], offset[at]);
#else
    return light;
#endif
  };
  __syncthreads();
  float kept[COLUMNS_EACH][TAPS - 1 + WARPS], most = 0.0f;
  SAMPLE coming[COLUMNS_EACH][WARPS];
#pragma unroll
  for (int n = 0; n < TAPS - 1; n += 1)
#pragma unroll
    for (int each = 0; each < COLUMNS_EACH; each += 1) {
      float light = even(quick_light(samples[at_row(n, each)], quick, lights, table, last), n, each);
      kept[each][n] = light;
      most = fmaxf(most, fabsf(light));
    }
#pragma unroll
  for (int n = 0; n < WARPS; n += 1)
#pragma unroll
    for (int each = 0; each < COLUMNS_EACH; each += 1) coming[each][n] = samples[at_row(TAPS - 1 + n, each)];
  int turns = (stop - top + WARPS - 1) / WARPS;
  for (int turn = 0; turn < turns; turn += 1) {
    float *line = lines + (turn & 1) * WARPS * PITCH;
    int next = TAPS - 1 + turn * WARPS;
#pragma unroll
    for (int each = 0; each < COLUMNS_EACH; each += 1) {
      if ((role + each * WARPS) * 32 >= COLUMNS) continue;
      float *k = kept[each];
#pragma unroll
      for (int n = 0; n < WARPS; n += 1) {
        k[TAPS - 1 + n] = even(quick_light(coming[each][n], quick, lights, table, last), next + n, each);
        most = fmaxf(most, fabsf(k[TAPS - 1 + n]));
      }
#pragma unroll
      for (int n = 0; n < WARPS; n += 1) {
        float sum = 0.0f;
#pragma unroll
        for (int tap = 0; tap < TAPS; tap += 1) sum = __fmaf_rn(move.weights_y[tap], k[n + tap], sum);
        if (place[each] < COLUMNS) line[n * PITCH + place[each]] = sum;
      }
#pragma unroll
      for (int n = 0; n < TAPS - 1; n += 1) k[n] = k[n + WARPS];
    }
    u32 bits = __reduce_max_sync(0xFFFFFFFFu, __float_as_uint(most));
    if (lane == 0) atomicMax(&brightest[turn % MOMENTS], bits);
    most = 0.0f;
    if (turn + 1 < turns)
#pragma unroll
      for (int each = 0; each < COLUMNS_EACH; each += 1) {
        if ((role + each * WARPS) * 32 >= COLUMNS) continue;
#pragma unroll
        for (int n = 0; n < WARPS; n += 1) coming[each][n] = samples[at_row(next + WARPS + n, each)];
      }
    __syncthreads();
    if (thread == 0) brightest[(turn + 3) % MOMENTS] = 0;
    int y = top + turn * WARPS + warp;
    if (y >= stop) continue;
    u32 around = max(max(brightest[turn % MOMENTS], brightest[(turn + MOMENTS - 1) % MOMENTS]), brightest[(turn + MOMENTS - 2) % MOMENTS]);
    float bright = __uint_as_float(around), lost = __fmaf_rn(SUMS_LOSE, bright, fminf(quick.knots_share * bright, quick.knots_most));
    float least = exp2_of(log2_of(lost * (dither.peak * PER_LIGHT)) * (12.0f / 7));
    float *own = line + warp * PITCH;
    float sums[4][3];
#pragma unroll
    for (int n = 0; n < 12; n += 1) sums[n / 3][n % 3] = 0.0f;
#pragma unroll
    for (int quarter = 0; quarter < 12; quarter += 1) {
      float4 four = ((const float4 *)own)[3 * lane + quarter];
      float parts[4] = {four.x, four.y, four.z, four.w};
#pragma unroll
      for (int part = 0; part < 4; part += 1)
#pragma unroll
        for (int n = 0; n < 12; n += 1) {
          int away = 4 * quarter + part - n;
          if (away >= 0 && away % 3 == 0 && away / 3 < TAPS) 
            sums[n / 3][n % 3] = __fmaf_rn(move.weights_x[away / 3], parts[part], sums[n / 3][n % 3]);
        }
    }
    __syncwarp();  // everybody has read the row: its room takes the codes
    u32 row_seed = mix(mix(dither.frame + 1u) + (u32)y * GOLDEN);
    int first = left + 4 * lane;
    float down = __fmaf_rn((float)y + 0.5f, quick.per_row, -1.0f), across = __fmaf_rn((float)first + 0.5f, quick.per_column, -1.0f);
    u32 codes[12], words[6];
    u32 doubts = quick_pixels<4>(sums, quick, lost, least, dither.peak, row_seed, first, down, across, quick.per_column, codes);
#pragma unroll
    for (int n = 0; n < 6; n += 1) words[n] = __byte_perm(codes[2 * n], codes[2 * n + 1], 0x6521);
    unsigned short *made = (unsigned short *)own;
#pragma unroll
    for (int n = 0; n < 3; n += 1) ((uint2 *)made)[3 * lane + n] = make_uint2(words[2 * n], words[2 * n + 1]);
    bool inside = left >= move.first_x && left + ACROSS <= move.stop_x && y >= move.first_y && y < move.stop_y;
    if (4 * lane < ACROSS && (doubts != 0 || !inside))
      for (int at = 0; at < 4; at += 1) {
        int x = first + at;
        if (x < move.first_x || x >= move.stop_x || y < move.first_y || y >= move.stop_y)
          made[12 * lane + 3 * at] = made[12 * lane + 3 * at + 1] = made[12 * lane + 3 * at + 2] = 0;
        else if (doubts >> at & 1u)
          list[atomicAdd(&listed, 1u)] = (u32)((y - top) * ACROSS + x - left);
      }
    __syncwarp();
    unsigned short *line_out = out + ((long)y * shape.width + left) * 3;
    int samples_left = min(ACROSS, shape.width - left) * 3;
    if (shape.width % 4 == 0) {
#pragma unroll
      for (int n = 0; n < 3; n += 1)
        if (4 * (lane + 32 * n) < samples_left) ((uint2 *)line_out)[lane + 32 * n] = ((const uint2 *)made)[lane + 32 * n];
    } else {
      for (int n = lane; n < samples_left; n += 32) line_out[n] = made[n];
    }
  }
  __syncthreads();
  for (u32 n = warp; n < listed; n += WARPS) {
    int x = left + list[n] % ACROSS, y = top + list[n] / ACROSS;
    exact_pixel({samples, table, last, gain, offset}, shape, move, colour, dither, x, y, out + ((long)y * shape.width + x) * 3);
  }
}
#endif
